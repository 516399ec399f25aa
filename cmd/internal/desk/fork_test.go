package desk_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ullage/agent"
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

// Three copies of one folder write, and all come to the centre: what was received stays, what each of them holds is set
// aside whole, nothing more goes into the records under that name, and the alarm names the device.
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
	received := c.fleet("tab-1").Records
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
	if f := c.fleet("tab-1"); f.Records != received || !f.Forked {
		t.Errorf("%+v, and %d had been received", f, received)
	}
	if got := c.get("/api/alarms"); strings.Count(got, `"kind":"fork"`) != 1 || !strings.Contains(got, "Two copies of device tab-1 both write") {
		t.Errorf("alarms: %s", got)
	}
	if n := len(c.audit("device", "tab-1")); n != int(received) {
		t.Errorf("%d records count, %d were received", n, received)
	}
	aside := c.get("/api/aside")
	for _, want := range []string{
		fmt.Sprintf(`"from":%d,"to":%d`, parting+1, parting+2), fmt.Sprintf(`"from":%d,"to":%d`, parting+1, parting+4), fmt.Sprintf(`"from":%d,"to":%d`, received+1, received+1),
		"two copies of the device write",
	} {
		if !strings.Contains(aside, want) {
			t.Errorf("aside: %s has no %s", aside, want)
		}
	}
	// It stays so over a restart; and what is set aside of a fork is not let in as if nobody else had those numbers.
	if status, _, answer := c.do(c.request("POST", "/api/admit", `{"device":"tab-1","why":"it is mine","by":"O1"}`)); status < 400 || !strings.Contains(answer, "two copies") {
		t.Errorf("admit: %d %s", status, answer)
	}
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	c = serve(t, c.dir)
	if f := c.fleet("tab-1"); f.Records != received || !f.Forked {
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
			want := fmt.Sprintf(`"device":%q,"from":%d,"to":%d,`, id, parting+1, s.Records)
			if aside := c.get("/api/aside"); strings.Count(aside, want) != 1 {
				t.Errorf("aside: %s, want %s", aside, want)
			}
			if f := c.fleet(id); !f.Forked || f.Records != received || len(c.audit("device", id)) != int(received) {
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
