package desk_test

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ullage/agent"
	"ullage/events"
	"ullage/syncd/alarm"
)

// known is what the office knows: the answers that it gives, and each record by its id, but for how far it is safe.
// Restatements tell of the order of arrival, and are not in it.
type known struct {
	answers map[string]string
	records map[string]string
}

func (c *centre) known(t *testing.T, log bool) known {
	t.Helper()
	k := known{map[string]string{}, map[string]string{}}
	for _, what := range []string{"machine", "ledger", "waste", "due"} {
		k.answers[what] = c.get("/api/" + what)
	}
	var audit struct{ Records []map[string]any }
	if err := json.Unmarshal([]byte(c.get("/api/audit")), &audit); err != nil {
		t.Fatal(err)
	}
	for _, r := range audit.Records {
		delete(r, "stage")
		if !log { // what rests on it went with it
			delete(r, "not_before")
			delete(r, "flags")
		}
		b, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		k.records[r["id"].(string)] = string(b)
	}
	return k
}

// differs tells how the office knows anything else than before; new records aside.
func (k known) differs(before known) string {
	for _, what := range slices.Sorted(maps.Keys(before.answers)) {
		if k.answers[what] != before.answers[what] {
			return fmt.Sprintf("%s is\n%s, and was\n%s", what, k.answers[what], before.answers[what])
		}
	}
	for _, id := range slices.Sorted(maps.Keys(before.records)) {
		if k.records[id] != before.records[id] {
			return fmt.Sprintf("record %s is\n%s, and was\n%s", id, k.records[id], before.records[id])
		}
	}
	return ""
}

// pushes are the folders of a centre that can be lost, and what else stands in them.
func lose(t *testing.T, c *centre, names ...string) {
	t.Helper()
	for _, name := range names {
		if err := os.RemoveAll(filepath.Join(c.dir, name)); err != nil {
			t.Fatal(err)
		}
	}
}

// blocks are the files in which the broker keeps the messages of RECORDS.
func blocks(t *testing.T, c *centre) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(c.dir, "streams", "jetstream", "*", "streams", "RECORDS", "msgs", "*.blk"))
	if err != nil || len(files) == 0 {
		t.Fatalf("blocks of RECORDS: %q, %v", files, err)
	}
	return files
}

func putBack(t *testing.T, from, to string) {
	t.Helper()
	if err := os.RemoveAll(to); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
}

func copied(t *testing.T, from string) (to string) {
	t.Helper()
	to = filepath.Join(t.TempDir(), "copy")
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
	return to
}

const (
	arrive = `{"kind":"visit.opened","site":"s-1","visit":"v","by":"T1","body":{"reason":"planned"}}`
	dip    = `{"kind":"reading.taken","site":"s-1","machine":"m-1","visit":"v","by":"T1","body":{"quantity":"volume","value":%d,"u":1,"method":"dip","moment":"arrival"}}`
	added  = `{"kind":"fluid.added","site":"s-1","machine":"m-1","visit":"v","by":"T1","body":{"from":"tap","to":"bath","product":"water","volume":%d,"u":0.5,"method":"meter"}}`
	leave  = `{"kind":"visit.closed","site":"s-1","visit":"v","by":"T1","body":{"outcome":"complete"}}`
)

// flip changes a bit in each block of RECORDS, at a part of its length.
func flip(t *testing.T, c *centre, at float64) {
	t.Helper()
	for _, file := range blocks(t, c) {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		b[int(float64(len(b))*at)] ^= 0x10
		if err := os.WriteFile(file, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// The centre's disk loses what it had acknowledged, in every way that we have seen: after the devices have said hello the
// office knows what it knew, to the byte, and an alarm has told what was lost, and that it came back.
func TestHeals(t *testing.T) {
	const lostWithLog = "all but keys and office journal are lost"
	for name, harm := range map[string]func(t *testing.T, c *centre, older string){
		"an older state of the streams is put back": func(t *testing.T, c *centre, older string) { putBack(t, older, filepath.Join(c.dir, "streams")) },
		"and the read model is lost": func(t *testing.T, c *centre, older string) {
			putBack(t, older, filepath.Join(c.dir, "streams"))
			lose(t, c, "model")
		},
		"a bit is flipped in a block":                       func(t *testing.T, c *centre, _ string) { flip(t, c, 0.6) },
		"a bit is flipped early in a block, the model lost": func(t *testing.T, c *centre, _ string) { flip(t, c, 0.1); lose(t, c, "model") },
		"a block is cut off": func(t *testing.T, c *centre, _ string) {
			for _, file := range blocks(t, c) {
				info, err := os.Stat(file)
				if err == nil {
					err = os.Truncate(file, info.Size()/2)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
		},
		"the streams are lost":               func(t *testing.T, c *centre, _ string) { lose(t, c, "streams") },
		"the streams and the model are lost": func(t *testing.T, c *centre, _ string) { lose(t, c, "streams", "model") },
		lostWithLog:                          func(t *testing.T, c *centre, _ string) { lose(t, c, "streams", "model", "log") },
	} {
		t.Run(name, func(t *testing.T) {
			c := newCentre(t)
			c.record(site, washer)
			devices := map[string]string{"tab-1": c.enrolOurs("tab-1"), "tab-2": c.enrolOurs("tab-2")}
			visits := func(n int) {
				for _, name := range slices.Sorted(maps.Keys(devices)) {
					d := c.reopen(devices[name])
					keep(t, d, arrive, fmt.Sprintf(dip, 100-n))
					synced(t, d)
					keep(t, d, strings.ReplaceAll(fmt.Sprintf(added, n+5), `"visit":"v",`, ""), strings.ReplaceAll(leave, `"visit":"v",`, `"visit":"w",`))
					synced(t, d)
					d.Close()
				}
			}
			visits(1)
			if err := c.stop(); err != nil {
				t.Fatal(err)
			}
			older := copied(t, filepath.Join(c.dir, "streams"))
			c = serve(t, c.dir)
			visits(2)
			c.record(`{"kind":"note.written","by":"O1","body":{"text":"the office, too"}}`)
			visits(3)
			log := name != lostWithLog
			before := c.known(t, log)
			if err := c.stop(); err != nil {
				t.Fatal(err)
			}
			harm(t, c, older)
			c = serve(t, c.dir)
			c.get("/api/audit") // the office need not wait for devices
			healed(t, c, devices)
			after := c.known(t, log)
			if diff := after.differs(before); diff != "" {
				t.Error(diff)
			}
			// Nothing is doubled: the streams are read from nothing, and give the same once more.
			if err := c.stop(); err != nil {
				t.Fatal(err)
			}
			lose(t, c, "model")
			c = serve(t, c.dir)
			healed(t, c, devices) // a broker may find another time that it has lost something
			if diff := c.known(t, log).differs(after); diff != "" {
				t.Errorf("built anew, %s", diff)
			}
		})
	}
}

// healed has the devices say hello until nothing is missing any more.
func healed(t *testing.T, c *centre, devices map[string]string) {
	t.Helper()
	deadline := time.Now().Add(60 * time.Second)
	for {
		for _, name := range slices.Sorted(maps.Keys(devices)) {
			d, err := agent.Open(t.Context(), devices[name], agent.Config{})
			if err != nil {
				t.Fatal(err)
			}
			synced(t, d)
			d.Close()
		}
		var answer struct {
			Alarms []struct{ Kind, What, Over, How string }
		}
		if err := json.Unmarshal([]byte(c.get("/api/alarms")), &answer); err != nil {
			t.Fatal(err)
		}
		open := 0
		for _, a := range answer.Alarms {
			if a.Kind == "range-missing" && a.Over == "" {
				open++
			}
		}
		if strings.HasPrefix(c.get("/api/missing"), `{"missing":[],"looked":"`) && open == 0 {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("missing: %s\nalarms: %+v\nlog: %s", c.get("/api/missing"), answer.Alarms, c.log)
		}
		time.Sleep(200 * time.Millisecond)
	}
}

// A message in the midst of a block that the broker cannot read any more, and goes on counting, is found at the next start,
// while the read model still has it; and it is stored again from there.
func TestReadThrough(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer)
	dir := c.enrolOurs("tab-1")
	d := c.reopen(dir)
	for n := range 4 {
		keep(t, d, arrive, fmt.Sprintf(dip, 100-n))
		synced(t, d)
	}
	d.Close()
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	flip(t, c, 0.6)
	c = serve(t, c.dir)
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(100 * time.Millisecond) {
		var answer struct {
			Alarms []struct{ Kind, Over, How string }
		}
		if err := json.Unmarshal([]byte(c.get("/api/alarms")), &answer); err != nil {
			t.Fatal(err)
		}
		if len(answer.Alarms) == 1 && answer.Alarms[0].Kind == "range-missing" && answer.Alarms[0].Over != "" {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("alarms: %+v\n%s", answer.Alarms, c.log)
		}
	}
	if audit := c.get("/api/audit", "device", "office-1"); !strings.Contains(audit, `"source":"read-model"`) {
		t.Errorf("no record tells that it came from the read model: %s", audit)
	}
}

// An alarm about what is missing ends, also where it was raised before this start and came right meanwhile.
func TestAlarmFromBefore(t *testing.T) {
	c := newCentre(t)
	c.record(site)
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	book, err := alarm.Read(filepath.Join(c.dir, "alarms.json"), func() events.Millis { return events.MillisOf(time.Now()) }, slog.New(slog.DiscardHandler))
	if err == nil {
		err = book.Raise(alarm.Alarm{Kind: alarm.RangeMissing, From: "tab-1", About: "tab-1 records 1 to 3", What: "lost", Do: "wait"})
	}
	if err != nil {
		t.Fatal(err)
	}
	c = serve(t, c.dir)
	for deadline := time.Now().Add(20 * time.Second); !strings.Contains(c.get("/api/alarms"), `"over":"`); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal(c.get("/api/alarms"))
		}
	}
}
