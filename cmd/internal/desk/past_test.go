package desk_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ullage/agent"
	"ullage/events/checkpoint"
)

// ours is a real device of our own, enrolled at the centre.
func (c *centre) ours(name string) *agent.Device {
	c.t.Helper()
	return c.reopen(c.enrolOurs(name))
}

func (c *centre) enrolOurs(name string) (dir string) {
	c.t.Helper()
	dir = filepath.Join(c.t.TempDir(), name)
	code := c.newCode(name)
	if _, err := agent.Enrol(c.t.Context(), dir, "", code.String(), agent.Config{}); err != nil {
		c.t.Fatal(err)
	}
	return dir
}

func (c *centre) reopen(dir string) *agent.Device {
	c.t.Helper()
	d, err := agent.Open(c.t.Context(), dir, agent.Config{Patience: 20 * time.Second})
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(func() { d.Close() })
	return d
}

func note(t *testing.T, d *agent.Device, text string) {
	t.Helper()
	line, err := json.Marshal(map[string]any{"kind": "note.written", "by": "T1", "body": map[string]string{"text": text}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Record(t.Context(), strings.NewReader(string(line))); err != nil {
		t.Fatal(err)
	}
}

func synced(t *testing.T, d *agent.Device) agent.Status {
	t.Helper()
	notice, err := d.Sync(t.Context(), nil)
	if err != nil || notice != nil {
		t.Fatalf("sync: %v, %v", notice, err)
	}
	s, err := d.Status()
	if err != nil {
		t.Fatal(err)
	}
	if s.Waiting != 0 {
		t.Fatalf("%d wait", s.Waiting)
	}
	return s
}

// alarms are those of the centre, oldest first.
func (c *centre) alarms() (all []struct {
	Name, Kind, What string
	Evidence         map[string]string
}) {
	c.t.Helper()
	var answer struct {
		Alarms []struct {
			Name, Kind, What string
			Evidence         map[string]string
		}
	}
	if err := json.Unmarshal([]byte(c.get("/api/alarms")), &answer); err != nil {
		c.t.Fatal(err)
	}
	return answer.Alarms
}

// A centre that puts an older state of itself back and goes on from there has another past than the one that it showed.
// The next device that says hello finds that out, goes on working, and both sides tell it with what proves it.
func TestAnotherPastIsFoundOut(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer)
	one, two := c.ours("tab-1"), c.ours("tab-2")
	note(t, one, "before")
	synced(t, one)
	synced(t, one)
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	older := filepath.Join(t.TempDir(), "older")
	if err := os.CopyFS(older, os.DirFS(c.dir)); err != nil {
		t.Fatal(err)
	}

	c = serve(t, c.dir)
	note(t, two, "what will be taken back")
	synced(t, two)
	note(t, one, "what has seen it")
	s := synced(t, one)
	had := *s.Log
	if len(s.Alarms) > 0 || len(c.alarms()) > 0 {
		t.Fatalf("alarms of an honest centre: %q, %+v", s.Alarms, c.alarms())
	}
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}

	// The older state goes on with other records than those that were there, and soon has more leaves than before.
	if err := os.RemoveAll(c.dir); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(c.dir, os.DirFS(older)); err != nil {
		t.Fatal(err)
	}
	c = serve(t, c.dir)
	for range 12 {
		c.record(`{"kind":"note.written","by":"O1","body":{"text":"another past"}}`)
	}
	note(t, one, "the day after")
	s = synced(t, one)
	if len(s.Alarms) == 0 || !strings.Contains(s.Alarms[0], "the centre's past was changed") {
		t.Errorf("the device's alarms are %q", s.Alarms)
	}
	if *s.Log != had {
		t.Errorf("it now holds others to %+v, and had checked %+v", s.Log, had)
	}
	alarms := c.alarms()
	if len(alarms) == 0 || alarms[0].Kind != "log-conflict" || !strings.Contains(alarms[0].What, "tab-1") {
		t.Fatalf("the centre's alarms are %+v", alarms)
	}
	// The proof is the device's own seal over what it has checked, and the log's signature under another past.
	var seen, ours string
	for _, a := range alarms {
		for what, piece := range a.Evidence {
			switch {
			case strings.HasPrefix(what, "what the device has checked"):
				seen = piece
			case strings.HasPrefix(what, "the log here"):
				ours = piece
			}
		}
	}
	checked, err := checkpoint.Parse(seen)
	if err != nil || checked.Size != had.Size || checked.Root.String() != had.Root {
		t.Errorf("what the device has checked: %+v, %v", checked, err)
	}
	if at, err := checkpoint.Parse(checkpoint.Text(ours)); err != nil || at.Origin != checked.Origin {
		t.Errorf("the log here: %+v, %v", at, err)
	}
	if !slices.ContainsFunc(c.audit("device", "tab-1"), func(r listed) bool { return strings.Contains(string(r.Body), "the day after") }) {
		t.Error("what the device recorded afterwards did not arrive")
	}
}

// A receipt carries the log's newest checkpoint, and a device's seals what it has checked: what each side has promised
// is in the other's hands.
func TestPromisesAreExchanged(t *testing.T) {
	c := newCentre(t)
	c.record(site)
	dir := c.enrolOurs("tab-1")
	d := c.reopen(dir)
	note(t, d, "one")
	synced(t, d)
	note(t, d, "two")
	s := synced(t, d)
	if s.Receipt == nil || s.Receipt.Checkpoint == nil || s.Receipt.Checkpoint.Origin != s.Log.Origin || s.Receipt.Checkpoint.Size == 0 {
		t.Errorf("the receipt is %+v", s.Receipt)
	}
	d.Close()
	report, err := agent.Check(t.Context(), dir)
	if err != nil || !report.OK || report.Receipts < 2 {
		t.Errorf("check: %+v, %v", report, err)
	}
	var kinds []string
	for _, r := range c.audit("device", "tab-1") {
		kinds = append(kinds, r.Kind)
	}
	if !slices.Contains(kinds, "checkpoint.seen") {
		t.Errorf("the centre has %v of it", kinds)
	}
}
