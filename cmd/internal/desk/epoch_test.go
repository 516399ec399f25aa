package desk_test

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"
)

// A centre that has lost the public log in both its places begins anew, and says so: in a record of the office, and by an
// alarm.
func TestLogLostIsTold(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer)
	// Nothing is lost of a log that has signed nothing yet.
	c.listed("logged", func(r listed) bool { return r.Kind == "machine.entered" && r.Stage == "logged" })
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	found, err := filepath.Glob(filepath.Join(c.dir, "streams", "jetstream", "*", "streams", "LOG"))
	if err != nil || len(found) != 1 {
		t.Fatalf("LOG is in %q, %v", found, err)
	}
	for _, path := range []string{found[0], filepath.Join(c.dir, "log")} {
		if err := os.RemoveAll(path); err != nil {
			t.Fatal(err)
		}
	}
	for run := range 2 { // a second start has nothing to add
		c = serve(t, c.dir)
		isTold := func(r listed) bool { return r.Kind == "epoch.started" }
		c.listed("told", isTold)
		if n := len(slices.DeleteFunc(c.audit("device", "office-1"), func(r listed) bool { return !isTold(r) })); n != 1 {
			t.Errorf("start %d: told by %d records", run, n)
		}
		if alarms := c.alarms(); len(alarms) != 1 || alarms[0].Kind != "log-anew" {
			t.Errorf("start %d: the alarms are %+v", run, alarms)
		}
		if err := c.stop(); err != nil {
			t.Fatal(err)
		}
	}
}

// listed waits until the office has a record that is so.
func (c *centre) listed(what string, is func(listed) bool) {
	c.t.Helper()
	for end := time.Now().Add(20 * time.Second); !slices.ContainsFunc(c.audit("device", "office-1"), is); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			c.t.Fatalf("no record is %s; the centre's words:\n%s", what, c.log)
		}
	}
}
