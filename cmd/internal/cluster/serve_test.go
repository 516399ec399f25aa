package cluster

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ullage/agent"
	"ullage/cmd/internal/syncdcli"
)

func note(n int) string {
	return fmt.Sprintf(`{"kind":"note.written","done":"2026-03-02T09:05:00+01:00","site":"s-1","machine":"m-1","by":"T1","body":{"text":"note %d"}}`+"\n", n)
}

// listed are the records that the office has of a device.
func (s *seat) listed(device string) (all []string) {
	s.w.t.Helper()
	var list struct {
		Records []struct{ Device, ID, Kind, Stage string }
	}
	if err := json.Unmarshal([]byte(s.ask("GET", "/api/audit?device="+device, "")), &list); err != nil {
		s.w.t.Fatal(err)
	}
	for _, r := range list.Records {
		all = append(all, r.ID)
	}
	return all
}

// recorded records notes on a device, and returns their ids.
func recorded(t *testing.T, d *agent.Device, from, to int) (ids []string) {
	t.Helper()
	var lines strings.Builder
	for n := from; n <= to; n++ {
		lines.WriteString(note(n))
	}
	answers, err := d.Record(t.Context(), strings.NewReader(lines.String()))
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range answers {
		ids = append(ids, a.ID.String())
	}
	return ids
}

// A centre serves with its streams in a cluster: a device is enrolled, its records are received, and are there after the
// centre was started anew, without --nats too. A revoked device is cut off by the servers.
func TestServe(t *testing.T) {
	w := newWorld(t)
	s := w.serve(filepath.Join(w.dir, "centre"))
	if s.at.NATS != w.urls() {
		t.Errorf("devices are sent to %s, not to %s", s.at.NATS, w.urls())
	}
	dir := s.enrol("tab-1")
	d, err := agent.Open(t.Context(), dir, agent.Config{})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	want := recorded(t, d, 1, 20)
	if _, err := d.Sync(t.Context(), nil); err != nil {
		t.Fatalf("%v\n%s", err, s.said())
	}
	has := func() map[string]bool {
		all := map[string]bool{}
		for _, id := range s.listed("tab-1") {
			if all[id] {
				t.Errorf("record %s is there twice", id)
			}
			all[id] = true
		}
		return all
	}
	all := has()
	for _, id := range want {
		if !all[id] {
			t.Errorf("record %s was received, and is not there", id)
		}
	}
	if _, err := os.Stat(filepath.Join(s.dir, "streams")); err == nil {
		t.Error("the centre's folder has streams of its own")
	}
	s.end()
	w.command("check", "--dir", s.dir)
	s.args = nil // the folder remembers them
	s.start()
	if again := has(); len(again) != len(all) {
		t.Errorf("%d records, and %d after a new start", len(all), len(again))
	}
	s.ask("POST", "/api/revoke", `{"device":"tab-1","why":"stolen","by":"O1"}`)
	recorded(t, d, 21, 21)
	if _, err := d.Sync(t.Context(), nil); err == nil || !strings.Contains(err.Error(), "revoked") {
		t.Errorf("a revoked device syncs: %v", err)
	}
	eventually(t, "each server has the revocation", 10*time.Second, func() bool {
		for i := range size {
			found := false
			files, _ := filepath.Glob(filepath.Join(w.folder(i), "accounts", "*.jwt"))
			for _, f := range files {
				found = found || strings.Contains(claims(t, read(t, f)), `"revocations"`)
			}
			if !found {
				return false
			}
		}
		return true
	})
}

// claims is what a token says.
func claims(t *testing.T, token string) string {
	t.Helper()
	_, rest, _ := strings.Cut(token, ".")
	body, _, _ := strings.Cut(rest, ".")
	b, err := base64.RawURLEncoding.DecodeString(body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// A centre that has its streams itself moves to a cluster by a backup, and answers as before.
func TestMove(t *testing.T) {
	w := newWorld(t)
	old := w.serveWith(filepath.Join(w.dir, "centre"))
	dir := old.enrol("tab-1")
	d, err := agent.Open(t.Context(), dir, agent.Config{})
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	recorded(t, d, 1, 20)
	if _, err := d.Sync(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	knew := old.knows()
	old.end()
	var out, words bytes.Buffer
	if code := syncdcli.Main([]string{"serve", "--dir", old.dir, "--nats", w.urls()}, strings.NewReader(""), &out, &words); code != 1 || !strings.Contains(words.String(), "streams of its own") {
		t.Errorf("a folder with streams goes to a cluster: exit %d\n%s", code, words.String())
	}
	file := filepath.Join(w.dir, "backup")
	w.command("backup", "--dir", old.dir, "--to", file)
	moved := filepath.Join(w.dir, "moved")
	w.command("restore", "--dir", moved, "--from", file, "--nats", w.urls())
	s := w.serveWith(moved)
	if knows := s.knows(); knows != knew {
		t.Errorf("it knows\n%s, and knew\n%s", knows, knew)
	}
	if alarms := s.alarms(); alarms != "" {
		t.Errorf("it raises %s", alarms)
	}
	// A cluster that has messages is no place for a backup.
	if code := syncdcli.Main([]string{"restore", "--dir", filepath.Join(w.dir, "again"), "--from", file, "--nats", w.urls()}, strings.NewReader(""), &out, &words); code != 1 {
		t.Errorf("a backup is restored over a cluster that is in use: exit %d\n%s", code, words.String())
	}
}
