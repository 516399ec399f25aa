package cluster

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"ullage/agent"
	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/wire"
)

// two serves a centre with two seats.
func (w *world) two(args ...string) (a, b *seat) {
	w.t.Helper()
	first, second := filepath.Join(w.dir, "centre"), filepath.Join(w.dir, "second")
	a = w.serve(first, args...)
	a.end()
	w.command("seat", "--dir", first, "--to", second)
	a.start()
	return a, w.serve(second, args...)
}

// knows is what the office of a seat answers, but for what is its own: restatements, which tell of the order of looking, and
// alarms are not in it.
func (s *seat) knows() string {
	s.w.t.Helper()
	var all []string
	for _, what := range []string{"machine", "ledger", "waste", "due", "audit"} {
		all = append(all, s.ask("GET", "/api/"+what, ""))
	}
	return strings.Join(all, "\n")
}

// fleet is how a seat lists a device.
func (s *seat) fleet(name string) (d struct {
	Device  string
	Records int
	Revoked *string
}) {
	s.w.t.Helper()
	var list struct{ Devices []json.RawMessage }
	if err := json.Unmarshal([]byte(s.ask("GET", "/api/devices", "")), &list); err != nil {
		s.w.t.Fatal(err)
	}
	for _, raw := range list.Devices {
		if err := json.Unmarshal(raw, &d); err != nil {
			s.w.t.Fatal(err)
		}
		if d.Device == name {
			return d
		}
	}
	d.Device = ""
	return d
}

// alarms are the kinds of those that a seat has raised.
func (s *seat) alarms() string {
	s.w.t.Helper()
	var list struct {
		Alarms []struct{ Kind, What string }
	}
	if err := json.Unmarshal([]byte(s.ask("GET", "/api/alarms", "")), &list); err != nil {
		s.w.t.Fatal(err)
	}
	var all []string
	for _, a := range list.Alarms {
		all = append(all, a.Kind+": "+a.What)
	}
	return strings.Join(all, "\n")
}

// Two seats are one centre: a device of either is answered by both, what one decides holds at the other, a name is given once,
// and both know the same, though each has its own office, gate and folder.
func TestSeats(t *testing.T) {
	w := newWorld(t)
	a, b := w.two()
	var devices []*agent.Device
	for name, at := range map[string]*seat{"tab-1": a, "tab-2": b} {
		d, err := agent.Open(t.Context(), at.enrol(name), agent.Config{})
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		devices = append(devices, d)
	}
	for n := range 12 { // the servers choose which seat hears a request
		for _, d := range devices {
			recorded(t, d, n, n)
			if _, err := d.Sync(t.Context(), nil); err != nil {
				t.Fatalf("%v\n%s\n%s", err, a.said(), b.said())
			}
		}
	}
	gates := map[string]bool{}
	for _, name := range []string{"tab-1", "tab-2"} {
		report, err := agent.Check(t.Context(), filepath.Join(w.dir, name))
		if err != nil || !report.OK {
			t.Errorf("%s: %+v, %v", name, report, err)
		}
		for _, s := range []*seat{a, b} {
			if d := s.fleet(name); d.Records < 12 {
				t.Errorf("%s lists %+v", s.dir, d)
			}
		}
	}
	for _, gate := range []string{"gate-1", "gate-2"} {
		gates[gate] = receiptsOf(t, filepath.Join(w.dir, "tab-1"), gate)+receiptsOf(t, filepath.Join(w.dir, "tab-2"), gate) > 0
	}
	if !gates["gate-1"] || !gates["gate-2"] {
		t.Errorf("only one gate has answered: %v", gates)
	}

	// A name is given once, though each seat has made a code for it, and two devices come with them at one moment; whoever has
	// it is answered by both seats.
	for n := range 4 {
		name := fmt.Sprintf("both-%d", n)
		codes := [2]string{a.code(name), b.code(name)}
		var errs [2]error
		var both sync.WaitGroup
		for i := range codes {
			both.Go(func() {
				_, errs[i] = agent.Enrol(t.Context(), filepath.Join(w.dir, fmt.Sprint(name, "-", i)), "", codes[i], agent.Config{})
			})
		}
		both.Wait()
		if (errs[0] == nil) == (errs[1] == nil) {
			t.Fatalf("%s: two devices came, and it was given: %v\n%s\n%s", name, errs, a.said(), b.said())
		}
		won := 0
		if errs[0] != nil {
			won = 1
		}
		d, err := agent.Open(t.Context(), filepath.Join(w.dir, fmt.Sprint(name, "-", won)), agent.Config{})
		if err != nil {
			t.Fatal(err)
		}
		for n := range 6 {
			recorded(t, d, n, n)
			if _, err := d.Sync(t.Context(), nil); err != nil {
				t.Errorf("%s has the name, and: %v", d.ID(), err)
			}
		}
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	}

	// What the one revokes is revoked at the other.
	b.ask("POST", "/api/revoke", `{"device":"tab-1","why":"stolen","by":"O1"}`)
	eventually(t, "the first seat knows that tab-1 is revoked", 10*time.Second, func() bool {
		return strings.Contains(read(t, a.dir, "keys", "devices", "tab-1.json"), `"revoked"`)
	})
	a.record(`{"kind":"note.written","site":"s-1","machine":"m-1","by":"O1","body":{"text":"from the first"}}`)
	b.record(`{"kind":"note.written","site":"s-1","machine":"m-1","by":"O1","body":{"text":"from the second"}}`)
	w.same(a, b)
	for _, s := range []*seat{a, b} {
		if alarms := s.alarms(); alarms != "" {
			t.Errorf("%s raises %s", s.dir, alarms)
		}
	}
	// And it does after both have started anew, the second one with a new read model.
	a.end()
	b.end()
	w.command("rebuild", "--dir", b.dir)
	a.start()
	b.start()
	w.same(a, b)
}

// same makes sure that seats know the same, once each has all.
func (w *world) same(a, b *seat) {
	w.t.Helper()
	var of [2]string
	eventually(w.t, "both seats know the same", 20*time.Second, func() bool {
		of = [2]string{a.knows(), b.knows()}
		return of[0] == of[1]
	})
	if !strings.Contains(of[0], `"m-1"`) {
		w.t.Error("both know nothing")
	}
}

func (s *seat) record(line string) {
	s.w.t.Helper()
	s.ask("POST", "/api/records", line)
}

func (s *seat) code(name string) string {
	s.w.t.Helper()
	var code struct{ Code string }
	if err := json.Unmarshal([]byte(s.ask("POST", "/api/codes", fmt.Sprintf(`{"name":%q}`, name))), &code); err != nil {
		s.w.t.Fatal(err)
	}
	return code.Code
}

// receiptsOf counts the receipts of a gate that a device keeps.
func receiptsOf(t *testing.T, dir, gate string) (n int) {
	t.Helper()
	j, err := journal.OpenRead(journal.Config{Dir: filepath.Join(dir, "journal")})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if err := j.Receipts(func(_ events.Seq, payload []byte) error {
		r, err := wire.DecodeReceipt(payload)
		if err == nil && string(r.Gate) == gate {
			n++
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return n
}
