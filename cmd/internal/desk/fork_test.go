package desk_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"ullage/agent"
	"ullage/events"
	fleet "ullage/syncd/office"
)

// imageOf copies a device's folder, as a backup or a cloned disk does.
func imageOf(t *testing.T, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "image")
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return to
}

// forks are what the office is told of the branches of devices.
func (c *centre) forks() (all []fleet.Fork) {
	c.t.Helper()
	var list struct{ Forks []fleet.Fork }
	if err := json.Unmarshal([]byte(c.get("/api/forks")), &list); err != nil {
		c.t.Fatal(err)
	}
	return list.Forks
}

// branches tells of the branches of a device, each by its records and its state, in ascending order.
func (c *centre) branches(name string) (said []string) {
	c.t.Helper()
	for _, f := range c.forks() {
		for _, b := range f.Branches {
			if f.Device == events.DeviceID(name) {
				said = append(said, fmt.Sprintf("%d to %d: %d %s", b.From, b.To, b.Records, b.State))
			}
		}
	}
	slices.Sort(said)
	return said
}

// states counts the records of a device by their states.
func (c *centre) states(name string) map[string]int {
	c.t.Helper()
	n := map[string]int{}
	for _, r := range c.audit("device", name) {
		if r.Device == name {
			n[r.State]++
		}
	}
	return n
}

// Three copies of one folder write, and all come to the centre: what each of them holds is kept whole, nothing more is
// received under that name, none of it counts from the parting on, and the alarm names the device.
func TestCopiesOfOneDevice(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer)
	dir := c.enrolOurs("tab-1")
	d := c.reopen(dir)
	keep(t, d, noteOf(1), noteOf(2))
	synced(t, d)
	parting := keep(t, d, noteOf(3)) // kept, and not sent when the image is taken
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	one, two, three := c.reopen(dir), c.reopen(imageOf(t, dir)), c.reopen(imageOf(t, dir))
	keep(t, one, noteOf(4))
	keep(t, two, noteOf(5), noteOf(6))
	keep(t, three, noteOf(7), noteOf(8), noteOf(9), noteOf(10))
	synced(t, one)
	received := int(c.fleet("tab-1").Records)
	if c.fleet("tab-1").Forked {
		t.Error("a fork is seen before there is one")
	}

	for _, b := range []struct {
		d    *agent.Device
		held int
	}{{two, 2}, {three, 4}, {two, 2}} {
		if got, want := stopped(t, b.d), fmt.Sprintf("%d records are set aside there, and the office decides", b.held); !strings.Contains(got, want) {
			t.Errorf("a copy says %q, want %q", got, want)
		}
	}
	keep(t, one, noteOf(11))
	if got := stopped(t, one); !strings.Contains(got, "1 records are set aside there") {
		t.Errorf("the first copy says %q", got)
	}
	if f := c.fleet("tab-1"); int(f.Records) != received || !f.Forked {
		t.Errorf("%+v, and %d had been received", f, received)
	}
	if got := c.get("/api/alarms"); strings.Count(got, `"kind":"fork"`) != 1 || !strings.Contains(got, "Two copies of device tab-1 both write") {
		t.Errorf("alarms: %s", got)
	}
	behind := received + 1 - parting
	if got, want := c.states("tab-1"), map[string]int{"stands": parting, "conflict": behind + 2 + 4}; !maps.Equal(got, want) {
		t.Errorf("records %v, want %v", got, want)
	}
	if got, want := c.branches("tab-1"), []string{
		fmt.Sprintf("%d to %d: 2 waits", parting+1, parting+2), fmt.Sprintf("%d to %d: 4 waits", parting+1, parting+4),
		fmt.Sprintf("%d to %d: %d waits", parting+1, received+1, behind),
	}; !slices.Equal(got, slices.Sorted(slices.Values(want))) {
		t.Errorf("branches %q, want %q", got, want)
	}
	// It stays so over a restart; and what is brought of a fork is not let in as if nobody else had those numbers.
	if status, _, answer := c.do(c.request("POST", "/api/admit", `{"device":"tab-1","why":"it is mine","by":"O1"}`)); status < 400 || !strings.Contains(answer, "two copies") {
		t.Errorf("admit: %d %s", status, answer)
	}
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	c = serve(t, c.dir)
	if f := c.fleet("tab-1"); int(f.Records) != received || !f.Forked || len(c.branches("tab-1")) != 3 {
		t.Errorf("after a restart: %+v", f)
	}
}

// Copies are made at any moment: before the enrolment was answered, before anything was written, of a folder that is
// behind, and they come back in any order, also one that has been off while the other wrote a lot. Each record that a copy
// has acknowledged is at the centre, or in the way there; none is there twice.
func TestCopiesAtAnyMoment(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer)
	type copies struct{ first, second string } // folders
	for name, prepare := range map[string]func(t *testing.T, name string) copies{
		"before the enrolment was answered": func(t *testing.T, name string) copies {
			code := c.newCode(name)
			one, two := filepath.Join(t.TempDir(), "a"), ""
			if _, err := agent.Enrol(t.Context(), one, c.at.Enrol, code.String(), agent.Config{}); err != nil {
				t.Fatal(err)
			}
			two = imageOf(t, one)
			for _, gone := range []string{"device.json", "journal", "gates.json", "pins.json", "log.json"} { // all but the keys
				if err := os.RemoveAll(filepath.Join(two, gone)); err != nil {
					t.Fatal(err)
				}
			}
			if _, err := agent.Enrol(t.Context(), two, c.at.Enrol, code.String(), agent.Config{}); err != nil {
				t.Fatal(err)
			}
			return copies{one, two}
		},
		"before anything was written": func(t *testing.T, name string) copies {
			dir := c.enrolOurs(name)
			return copies{dir, imageOf(t, dir)}
		},
		"of an earlier state": func(t *testing.T, name string) copies {
			dir := c.enrolOurs(name)
			d := c.reopen(dir)
			keep(t, d, noteOf(1))
			synced(t, d)
			d.Close()
			image := imageOf(t, dir)
			d = c.reopen(dir)
			for n := range 30 {
				keep(t, d, noteOf(n+2))
			}
			synced(t, d)
			d.Close()
			return copies{dir, image}
		},
	} {
		t.Run(name, func(t *testing.T) {
			id := "tab-" + fmt.Sprintf("%x", len(name))
			both := prepare(t, id)
			one, two := c.reopen(both.first), c.reopen(both.second)
			keep(t, two, noteOf(40), noteOf(41), noteOf(42)) // off, and written all the same
			keep(t, one, noteOf(50))
			synced(t, one)
			for range 2 {
				if got := stopped(t, two); !strings.Contains(got, "All that this copy holds is at the centre: ") {
					t.Fatalf("the copy says %q", got)
				}
			}
			received := c.fleet(id).Records
			parting := uint64(0)
			for seq := uint64(1); ; seq++ { // by what both folders hold
				a, b := line(t, both.first, seq), line(t, both.second, seq)
				if a != b || a == "" {
					parting = seq - 1
					break
				}
			}
			s, err := two.Status()
			if err != nil {
				t.Fatal(err)
			}
			want := []string{fmt.Sprintf("%d to %d: %d waits", parting+1, received, uint64(received)-parting), fmt.Sprintf("%d to %d: %d waits", parting+1, s.Records, s.Records-parting)}
			if got := c.branches(id); !slices.Equal(got, slices.Sorted(slices.Values(want))) {
				t.Errorf("branches %q, want %q", got, want)
			}
			if f := c.fleet(id); !f.Forked || f.Records != received || c.states(id)["stands"] != int(parting) {
				t.Errorf("%+v", f)
			}
			for _, dir := range []string{both.first, both.second} {
				if report, err := agent.Check(t.Context(), dir); err != nil || !report.OK {
					t.Errorf("check: %+v, %v", report, err)
				}
			}
		})
	}
}

// line is a record of a folder as an entry line; empty where there are fewer.
func line(t *testing.T, dir string, seq uint64) string {
	t.Helper()
	var b strings.Builder
	if err := agent.Export(t.Context(), dir, &b); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(b.String()), "\n")
	if seq > uint64(len(lines)) {
		return ""
	}
	return lines[seq-1]
}

var counted = regexp.MustCompile(`"records":\d+`) // of a machine: in any state

// figures are what the office is told of machines, but for how many records there are of one.
func (c *centre) figures(query ...string) (all string) {
	c.t.Helper()
	for _, what := range []string{"machine", "ledger", "waste", "due"} {
		all += what + ": " + counted.ReplaceAllString(c.get("/api/"+what, query...), "") + "\n"
	}
	return all
}

// Two copies of one folder are at work, each on visits of its own. Before that is known the one counts that came; from then
// on neither, in no figure; then what the office settles, and settles the other way, and takes back. What was known when
// stays so; a model that is built anew, and streams that were lost, give the same; and more of a branch joins it.
func TestSettledBranches(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer)
	dir := c.enrolOurs("tab-1")
	d := c.reopen(dir)
	keep(t, d, arrive, fmt.Sprintf(dip, 100), fmt.Sprintf(added, 5))
	synced(t, d)
	common := c.figures()
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	image := imageOf(t, dir)
	one, two := c.reopen(dir), c.reopen(image)
	visit := func(d *agent.Device, litres int) {
		t.Helper()
		keep(t, d, arrive, fmt.Sprintf(dip, litres), fmt.Sprintf(added, 7), leave)
	}
	visit(one, 90)
	visit(two, 70)
	more := imageOf(t, image) // that goes on where this one ends
	synced(t, one)
	first := c.figures()
	asked := time.Now()
	if first == common {
		t.Fatal("a visit changes nothing")
	}
	stopped(t, two)
	if got := c.figures(); got != common {
		t.Errorf("two branches, and the figures are\n%s\nwant those of what they have in common\n%s", got, common)
	}
	if got := c.states("tab-1"); got["conflict"] == 0 || got["held"] != 0 {
		t.Errorf("records %v", got)
	}

	dossierOf := func(visit string, want int, words string) {
		t.Helper()
		status, _, answer := c.do(c.request("GET", "/api/dossier?visit="+visit, ""))
		if status != want || !strings.Contains(answer, words) {
			t.Errorf("dossier: %d %.200q, want %d with %q", status, answer, want, words)
		}
	}
	visits := map[bool]string{} // by whether the record is on the branch that came second
	for _, r := range c.audit("device", "tab-1") {
		if r.Kind == "reading.taken" && r.State == "conflict" {
			visits[strings.Contains(string(r.Body), `"value":70`)] = r.Visit
		}
	}
	dossierOf(visits[false], 409, "not settled")
	dossierOf(visits[true], 409, "not settled")

	names := map[string]string{} // of the branches, by which came first
	for i, b := range c.forks()[0].Branches {
		names[[]string{"first", "second"}[i]] = b.Branch
	}
	settle := func(body string) (int, string) {
		t.Helper()
		status, _, answer := c.do(c.request("POST", "/api/forks", body))
		return status, answer
	}
	decide := func(which string) {
		t.Helper()
		if status, answer := settle(fmt.Sprintf(`{"device":"tab-1","branch":%q,"why":"it was in use","by":"O1"}`, names[which])); status != 200 {
			t.Fatalf("%s: %d %s", which, status, answer)
		}
	}
	office := c.fleet("office-1").Records
	for _, nonsense := range []string{
		`{"device":"tab-9","branch":"4-abcdef01","why":"x"}`, `{"device":"tab-1","branch":"4-abcdef01","why":"x"}`, `{"device":"tab-1","branch":"the one in the depot","why":"x"}`,
		`{"device":"tab-1","branch":"","why":"x"}`, fmt.Sprintf(`{"device":"tab-1","branch":%q}`, names["first"]), fmt.Sprintf(`{"device":"tab-1","branch":%q,"undo":true,"why":"x"}`, names["first"]),
		fmt.Sprintf(`{"device":"tab-1","branch":%q,"why":"x"}`, names["first"][:3]), `{"device":"office-1","undo":true,"why":"x"}`,
	} {
		if status, answer := settle(nonsense); status < 400 || status >= 500 || !strings.Contains(answer, "error") {
			t.Errorf("%s: %d %s", nonsense, status, answer)
		}
	}
	line := fmt.Sprintf(`{"kind":"branch.settled","by":"O1","body":{"device":"tab-1","stands":{"seq":4,"link":%q},"why":"x"}}`, strings.Repeat("ab", 32))
	if status, _, answer := c.do(c.request("POST", "/api/records", line)); status != 422 || !strings.Contains(answer, "no such branch") {
		t.Errorf("a branch that there is not, as an entry line: %d %s", status, answer)
	}
	if got := c.fleet("office-1").Records; got != office {
		t.Errorf("nonsense left %d records", got-office)
	}

	decide("first")
	if got := c.figures(); got != first {
		t.Errorf("the first is settled, and the figures are\n%s\nwant\n%s", got, first)
	}
	decide("first")
	if got := c.fleet("office-1").Records; got != office+1 {
		t.Errorf("settled twice, it left %d records", got-office)
	}
	dossierOf(visits[false], 200, "")
	dossierOf(visits[true], 404, "no record")
	decide("second")
	dossierOf(visits[true], 409, "came second")
	second := c.figures()
	if second == first || second == common || !strings.Contains(second, `"value":70`) || strings.Contains(second, `"value":90`) {
		t.Errorf("the second is settled, and the figures are\n%s", second)
	}
	if got := c.states("tab-1"); got["conflict"] != 0 || got["held"] == 0 {
		t.Errorf("records %v", got)
	}
	if got := c.figures("known-at", asked.UTC().Format(time.RFC3339Nano)); got == second || !strings.Contains(got, `"value":90`) {
		t.Errorf("before the fork was known:\n%s", got)
	}
	late := c.reopen(more)
	visit(late, 60)
	stopped(t, late)
	if got := c.figures(); !strings.Contains(got, `"value":60`) || len(c.branches("tab-1")) != 2 {
		t.Errorf("more of the branch that stands: %q, and the figures are\n%s", c.branches("tab-1"), got)
	}

	const everything = "only the devices have it any more"
	rebuilt := func(what string, lost ...string) {
		t.Helper()
		want, branches := c.figures(), c.branches("tab-1")
		if err := c.stop(); err != nil {
			t.Fatal(err)
		}
		lose(t, c, lost...)
		c = serve(t, c.dir)
		for deadline := time.Now().Add(60 * time.Second); ; time.Sleep(100 * time.Millisecond) {
			if what == everything {
				for _, d := range []*agent.Device{one, two, late} {
					if _, err := d.Sync(t.Context(), nil); err == nil {
						t.Fatal("a copy of a device that has forked is in sync")
					}
				}
			}
			figures, there := c.figures(), c.branches("tab-1")
			if figures == want && slices.Equal(branches, there) {
				return
			}
			if time.Now().After(deadline) {
				t.Fatalf("%s, and there are branches %q, want %q, with the figures\n%s\nwant\n%s\nlog: %s", what, there, branches, figures, want, c.log)
			}
		}
	}
	rebuilt("the model is built anew", "model")
	rebuilt("the streams are lost", "streams")
	rebuilt(everything, "streams", "model")
	if got := c.states("tab-1"); got["held"] == 0 || got["conflict"] != 0 {
		t.Errorf("records %v", got)
	}
	for range 2 { // there is nothing to take back any more
		if status, answer := settle(`{"device":"tab-1","undo":true,"why":"let us look again"}`); status != 200 {
			t.Fatalf("%d %s", status, answer)
		}
	}
	if got := c.figures(); got != common {
		t.Errorf("taken back, and the figures are\n%s\nwant\n%s", got, common)
	}
	decide("first")
	if got := c.figures(); got != first {
		t.Errorf("settled again, and the figures are\n%s\nwant\n%s", got, first)
	}
}
