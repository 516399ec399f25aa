package desk_test

import (
	"encoding/json"
	"fmt"
	"html"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ullage/agent"
	"ullage/events/checkpoint"
)

// timed is what the audit tells of a record beside its own word.
type timed struct {
	Device, Kind, Stage string
	Seq                 int
	Written             time.Time
	Received            *time.Time
	NotBefore           *time.Time `json:"not_before"`
	NotAfter            *time.Time `json:"not_after"`
	Offset              *int64     `json:"clock_offset_ms"`
	Measured            string     `json:"clock_measured"`
	Likely              *time.Time `json:"written_likely"`
	Flags               []string
	Body                json.RawMessage
}

// noted are the notes in the audit, by their text, and the checkpoints that devices say they have seen.
func (c *centre) noted() (notes map[string]timed, seen []timed) {
	c.t.Helper()
	var list struct{ Records []timed }
	if err := json.Unmarshal([]byte(c.get("/api/audit")), &list); err != nil {
		c.t.Fatal(err)
	}
	notes = map[string]timed{}
	for _, r := range list.Records {
		switch r.Kind {
		case "note.written":
			var b struct{ Text string }
			if err := json.Unmarshal(r.Body, &b); err != nil {
				c.t.Fatal(err)
			}
			notes[b.Text] = r
		case "checkpoint.seen":
			seen = append(seen, r)
		}
	}
	return notes, seen
}

// clockwork is a device of our own whose clock stands wrong.
func (c *centre) clockwork(name string, wrong *time.Duration) *agent.Device {
	c.t.Helper()
	cfg := agent.Config{Patience: 20 * time.Second, Now: func() time.Time { return time.Now().Add(*wrong) }}
	dir := filepath.Join(c.t.TempDir(), name)
	if _, err := agent.Enrol(c.t.Context(), dir, "", c.newCode(name).String(), cfg); err != nil {
		c.t.Fatal(err)
	}
	d, err := agent.Open(c.t.Context(), dir, cfg)
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(func() { d.Close() })
	return d
}

// What one device has pushed is logged, and once another has said hello it is cross-checked, at once and after the read
// model was built anew. A checkpoint that somebody makes up vouches for nothing, and is flagged.
func TestStages(t *testing.T) {
	c := newCentre(t)
	c.record(site)
	one := c.ours("tab-1")
	note(t, one, "work")
	synced(t, one)
	stage := func(want string) {
		t.Helper()
		if notes, _ := c.noted(); notes["work"].Stage != want {
			t.Errorf("%s, want %s", notes["work"].Stage, want)
		}
	}
	stage("logged")
	forger := c.enrol("tab-9")
	forge := func(origin string) { // of all leaves that there are
		forger.push(fmt.Sprintf(`{"kind":"checkpoint.seen","body":{"origin":%q,"size":%d,"root":"%s"}}`, origin, len(c.audit()), checkpoint.Empty()))
	}
	forge("ullage.log/nobody/1")
	stage("logged")
	_, seen := c.noted()
	if i := slices.IndexFunc(seen, func(r timed) bool { return r.Device == "tab-9" }); i < 0 || !slices.Contains(seen[i].Flags, "not-of-log") {
		t.Errorf("what was made up is not flagged: %+v", seen)
	}
	two := c.ours("tab-2")
	note(t, two, "elsewhere")
	synced(t, two)
	stage("cross-checked")
	_, seen = c.noted()
	for _, r := range seen {
		if r.Device != "tab-9" && len(r.Flags) > 0 {
			t.Errorf("an honest device is flagged: %+v", r)
		}
	}

	// The real log's name makes it no better: it is the root that counts.
	status, err := two.Status()
	if err != nil {
		t.Fatal(err)
	}
	note(t, one, "late")
	synced(t, one)
	forge(status.Log.Origin)
	if notes, _ := c.noted(); notes["late"].Stage != "logged" {
		t.Errorf("late: %s", notes["late"].Stage)
	}

	before := c.get("/api/audit")
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(filepath.Join(c.dir, "model")); err != nil {
		t.Fatal(err)
	}
	c = serve(t, c.dir)
	if got := c.get("/api/audit"); got != before {
		t.Errorf("with a read model that was built anew\n got %s\nwant %s", got, before)
	}
}

// The story of the design, with devices and a centre that are real, in seconds instead of days: a visit without signal
// on Monday is bounded from below by what its device had checked the week before, not by the contact that brings it in.
func TestMonday(t *testing.T) {
	c := newCentre(t)
	c.record(site)
	one, two := c.ours("tab-1"), c.ours("tab-2")
	note(t, one, "last week")
	synced(t, one)
	note(t, one, "monday")
	note(t, two, "wednesday")
	synced(t, two)
	c.noted()      // so that the log has it
	synced(t, one) // Thursday
	note(t, one, "thursday")
	synced(t, one)
	notes, _ := c.noted()
	monday, wednesday, thursday := notes["monday"], notes["wednesday"], notes["thursday"]
	if monday.NotBefore == nil || !monday.NotBefore.Before(*wednesday.Received) || monday.NotBefore.After(monday.Written) || !monday.NotAfter.Equal(*monday.Received) {
		t.Errorf("monday: %+v", monday)
	}
	if thursday.NotBefore == nil || thursday.NotBefore.Before(*wednesday.Received) {
		t.Errorf("thursday: %+v", thursday)
	}
	if last := notes["last week"]; last.NotBefore != nil || last.NotAfter == nil { // before its device had ever checked anything
		t.Errorf("last week: %+v", last)
	}
	for text, r := range notes {
		if len(r.Flags) > 0 {
			t.Errorf("%s is flagged: %v", text, r.Flags)
		}
	}
}

// A clock that is 40 days slow is found out at the first contact: nothing is refused, the time as stated stays, and the
// audit and the page say beside it when it was.
func TestFortyDaysSlow(t *testing.T) {
	const days = 24 * time.Hour
	c := newCentre(t)
	c.record(site, washer)
	wrong := -40 * days
	d := c.clockwork("tab-1", &wrong)
	note(t, d, "first")
	synced(t, d)
	if _, err := d.Record(t.Context(), strings.NewReader(`{"kind":"note.written","site":"s-1","machine":"m-1","body":{"text":"second"}}`)); err != nil {
		t.Fatal(err)
	}
	synced(t, d)
	notes, _ := c.noted()
	for text, measured := range map[string]string{"first": "after", "second": "before"} {
		r := notes[text]
		if r.Offset == nil || r.Measured != measured || r.Likely == nil || r.Likely.Sub(r.Written).Round(time.Minute) != 40*days || r.Likely.After(*r.NotAfter) {
			t.Errorf("%s: %+v", text, r)
		}
	}
	if r := notes["second"]; r.NotBefore == nil || r.Likely.Before(*r.NotBefore) || !slices.Contains(r.Flags, "clock-off") {
		t.Errorf("second: %+v", r)
	}
	b := c.newBrowser()
	c.browse(b, c.newLink())
	if _, _, body := c.browse(b, "/machines/m-1"); !strings.Contains(html.UnescapeString(body), "the clock was 40 days slow: written between") {
		t.Errorf("the page does not say it:\n%s", body)
	}

	// Somebody sets it to 2035, and days later back. All of it arrives, and only what was written in between is off.
	wrong = time.Until(time.Date(2035, 1, 1, 9, 0, 0, 0, time.UTC))
	note(t, d, "of 2035")
	wrong = 0
	note(t, d, "set right")
	synced(t, d)
	notes, _ = c.noted()
	if r := notes["of 2035"]; r.Written.Year() != 2035 || !slices.Contains(r.Flags, "clock-off") || !slices.Contains(r.Flags, "in-future") {
		t.Errorf("of 2035: %+v", r)
	}
	if r := notes["set right"]; len(r.Flags) > 0 || r.NotBefore == nil {
		t.Errorf("set right: %+v", r)
	}
	if s := synced(t, d); s.Waiting != 0 || s.Records != s.Received {
		t.Errorf("%+v", s)
	}
}
