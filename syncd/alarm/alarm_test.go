package alarm

import (
	"bytes"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ullage/events"
)

func book(t *testing.T, path string) (*Book, *bytes.Buffer) {
	t.Helper()
	var log bytes.Buffer
	b, err := Read(path, func() events.Millis { return 1772439000000 }, slog.New(slog.NewTextHandler(&log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	return b, &log
}

// An alarm stays open, over restarts, until somebody acknowledges it; then it is not raised again for the same thing.
func TestStaysUntilAcknowledged(t *testing.T) {
	path := filepath.Join(t.TempDir(), "alarms.json")
	b, log := book(t, path)
	for range 3 {
		if err := b.Raise(Alarm{Kind: LogConflict, About: "tab-1 9", What: "two pasts", Do: "ask", Evidence: map[string]string{"note": "n"}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Raise(Alarm{Kind: LogConflict, About: "tab-2 9", What: "two pasts"}); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(log.String(), "ALARM"); n != 2 {
		t.Errorf("%d lines in the log:\n%s", n, log)
	}
	b, log = book(t, path)
	open := b.Pending()
	if len(open) != 2 || open[0].Name != "log-conflict-1" || open[0].Evidence["note"] != "n" || open[1].Name != "log-conflict-2" || strings.Count(log.String(), "ALARM") != 2 {
		t.Fatalf("after a restart: %+v\n%s", open, log)
	}
	if err := b.Acknowledge("log-conflict-1", "O1"); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		by   events.StaffCode
		want error
	}{{"log-conflict-1", "O2", ErrClosed}, {"log-conflict-9", "O2", ErrUnknown}, {"log-conflict-2", "", events.ErrIdentifier}} {
		if err := b.Acknowledge(c.name, c.by); !errors.Is(err, c.want) {
			t.Errorf("%s by %q: %v", c.name, c.by, err)
		}
	}
	b, _ = book(t, path)
	if err := b.Raise(Alarm{Kind: LogConflict, About: "tab-1 9"}); err != nil {
		t.Fatal(err)
	}
	if open := b.Pending(); len(open) != 1 || open[0].Name != "log-conflict-2" {
		t.Errorf("open: %+v", open)
	}
	if all := b.All(); len(all) != 2 || all[0].By != "O1" || all[0].Acknowledged == "" || all[0].Times != 4 {
		t.Errorf("all: %+v", all)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm()&0o077 != 0 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
}

// Whoever can raise alarms without end fills no disk; and what cannot be written down stands in memory and in the log.
func TestLimits(t *testing.T) {
	dir := t.TempDir()
	b, _ := book(t, filepath.Join(dir, "alarms.json"))
	if err := b.Raise(Alarm{Kind: NewEpoch, Evidence: map[string]string{"long": strings.Repeat("é", maxEvidence)}}); err != nil {
		t.Fatal(err)
	}
	if n := len(b.All()[0].Evidence["long"]); n > maxEvidence {
		t.Errorf("%d bytes of evidence", n)
	}
	b.alarms = make([]Alarm, MaxAlarms)
	if err := b.Raise(Alarm{Kind: NewEpoch, About: "one more"}); err == nil || len(b.All()) != MaxAlarms {
		t.Errorf("%d alarms, %v", len(b.All()), err)
	}
	b, log := book(t, filepath.Join(dir, "nowhere", "alarms.json"))
	if err := b.Raise(Alarm{Kind: NewEpoch, What: "cannot be written"}); err == nil || len(b.Pending()) != 1 || !strings.Contains(log.String(), "cannot be written") {
		t.Errorf("%+v, %v", b.Pending(), err)
	}
}

// One device, however many alarms it makes the centre raise, leaves room for those of others and for the centre's own.
func TestOneSource(t *testing.T) {
	b, _ := book(t, filepath.Join(t.TempDir(), "alarms.json"))
	for n := range 2 * MaxAlarms {
		if err := b.Raise(Alarm{Kind: LogConflict, From: "tab-1", About: fmt.Sprint(n), What: "two pasts"}); err != nil {
			t.Fatal(err)
		}
	}
	all := b.All()
	if last := all[len(all)-1]; len(all) != maxFrom || last.Times != 1+2*MaxAlarms-maxFrom {
		t.Errorf("%d alarms, the last raised %d times", len(all), last.Times)
	}
	if err := b.Raise(Alarm{Kind: LogConflict, From: "tab-2", About: "another"}); err != nil || len(b.All()) != maxFrom+1 {
		t.Errorf("another device: %d alarms, %v", len(b.All()), err)
	}
	b.alarms = make([]Alarm, MaxAlarms-spare)
	if err := b.Raise(Alarm{Kind: LogConflict, From: "tab-3", About: "a third"}); err == nil {
		t.Error("devices take the room that is the centre's")
	}
	if err := b.Raise(Alarm{Kind: NewEpoch, About: "1"}); err != nil {
		t.Errorf("the centre's own: %v", err)
	}
}

func TestDamagedBook(t *testing.T) {
	path := filepath.Join(t.TempDir(), "alarms.json")
	for _, content := range []string{"", "{", `{"version":2}`} {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Read(path, nil, slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(fmt.Sprint(err), path) {
			t.Errorf("%q: %v", content, err)
		}
	}
}
