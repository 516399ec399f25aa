package desk_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	desks "ullage/syncd/office"
)

func (c *centre) findings() map[string]desks.Finding {
	c.t.Helper()
	var answer struct{ Findings []desks.Finding }
	if err := json.Unmarshal([]byte(c.get("/api/check")), &answer); err != nil {
		c.t.Fatal(err)
	}
	all := map[string]desks.Finding{}
	for _, f := range answer.Findings {
		if f.State != desks.Good && f.Do == "" || f.Say == "" {
			c.t.Errorf("%s is %s, and nothing says what to do: %+v", f.What, f.State, f)
		}
		all[f.What] = f
	}
	return all
}

// Check says that all is well where it is, and of what was lost which records, whose they are, and what to do.
func TestCheck(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer)
	dir := c.enrolOurs("tab-1")
	d := c.reopen(dir)
	keep(t, d, arrive, fmt.Sprintf(dip, 100))
	synced(t, d)
	s, err := d.Status()
	if err != nil {
		t.Fatal(err)
	}
	last := s.Received
	d.Close()
	for what, f := range c.findings() {
		if want := desks.Good; f.State != want && what != "second place" {
			t.Errorf("%s is %s: %s", what, f.State, f.Say)
		}
	}
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	lose(t, c, "streams", "model")
	c = serve(t, c.dir)
	deadline := time.Now().Add(30 * time.Second)
	var all map[string]desks.Finding
	for all = c.findings(); all["records"].State != desks.Bad; all = c.findings() {
		if time.Now().After(deadline) {
			t.Fatalf("%+v\n%s", all, c.log)
		}
		time.Sleep(100 * time.Millisecond)
	}
	if say := all["records"].Say; !strings.Contains(say, fmt.Sprintf("records 1 to %d of device tab-1", last)) || strings.Contains(say, "office-1") {
		t.Errorf("records: %s", say)
	}
	if all["alarms"].State != desks.Bad {
		t.Errorf("alarms: %+v", all["alarms"])
	}
	healed(t, c, map[string]string{"tab-1": dir})
	if f := c.findings()["records"]; f.State != desks.Good {
		t.Errorf("records, healed: %+v", f)
	}
}
