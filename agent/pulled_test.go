package agent

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"ullage/events"
	"ullage/events/wire"
)

// officeRecord is a record of the office, in the chain of which the copies know nothing.
func officeRecord(t testing.TB, seq events.Seq, machine events.MachineID, done events.Millis, body events.Body) wire.Pulled {
	t.Helper()
	b, err := events.EncodeBody(body)
	if err != nil {
		t.Fatal(err)
	}
	r := events.Record{
		ID: events.NewRecordID(1, [10]byte{byte(seq), byte(seq >> 8)}), Device: "office-1", Seq: seq, Clock: events.ClockOf(done, 0), Done: done,
		Site: "yard", Machine: machine, Kind: body.Kind(), V: 1, Body: b,
	}
	raw, err := events.EncodeRecord(&r)
	if err != nil {
		t.Fatal(err)
	}
	return wire.Pulled{Record: raw, Received: done + 1000}
}

var none = events.Hash{}.String()

func ptr[T any](x T) *T { return &x }

// answers are three, which bring five records; the last drops a machine.
func answers(t testing.TB) []*wire.PullAnswer {
	machine := func(seq events.Seq, m events.MachineID) wire.Pulled {
		return officeRecord(t, seq, m, 1000, &events.MachineEntered{Class: "sink"})
	}
	return []*wire.PullAnswer{
		{Place: wire.Place{Seq: 2, Created: 1}, Records: []wire.Pulled{machine(1, "m-1"), machine(2, "m-2")}, Copies: []wire.Copy{{Machine: "m-1", Seq: 2}}, More: true},
		{Place: wire.Place{Seq: 4, Created: 1}, Records: []wire.Pulled{machine(3, "m-3"), machine(2, "m-2")}, Copies: []wire.Copy{{Machine: "m-2", Seq: 4}}},
		{Place: wire.Place{Seq: 5, Created: 1}, Records: []wire.Pulled{machine(4, "m-4"), machine(5, "m-5")}, Drop: []events.MachineID{"m-2"}, Copies: []wire.Copy{{Machine: "m-1", Seq: 5}}},
	}
}

// content is what the copies hold, in short.
func content(t testing.TB, c *copies) string {
	t.Helper()
	text := fmt.Sprint(c.standing())
	held := map[events.RecordID]bool{}
	err := c.each(func(_ wire.Pulled, r *events.Record) error {
		text += " " + string(r.Machine)
		held[r.ID] = true
		got, ok, err := c.byID(r.ID)
		if err != nil || !ok || len(got) == 0 {
			t.Errorf("%s is not found: %v", r.Machine, err)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for id := range c.index {
		if !held[id] {
			t.Errorf("%s is found, and is not there", id)
		}
	}
	return text
}

func openedCopies(t testing.TB, dir string) *copies {
	t.Helper()
	c, err := openCopies(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.close() })
	return c
}

func TestCopiesSurviveACutAnywhere(t *testing.T) {
	dir := t.TempDir()
	c := openedCopies(t, dir)
	states := []string{content(t, c)}
	all := answers(t)
	for _, a := range all {
		if odd, err := c.take(a); odd != 0 || err != nil {
			t.Fatal(odd, err)
		}
		states = append(states, content(t, c))
		if again := content(t, openedCopies(t, dir)); again != states[len(states)-1] {
			t.Fatalf("opened again: %s, want %s", again, states[len(states)-1])
		}
	}
	// m-2 came twice, is held once, and then not at all.
	if want := "{{5 " + none + " 1} [{m-1 5}]} m-1 m-3 m-4 m-5"; states[3] != want {
		t.Errorf("at the end: %s\nwant %s", states[3], want)
	}
	whole, err := os.ReadFile(c.path)
	if err != nil {
		t.Fatal(err)
	}
	for n := range whole {
		for _, damaged := range [][]byte{whole[:n], append(append(append([]byte{}, whole[:n]...), whole[n]^0x40), whole[n+1:]...)} {
			other := t.TempDir()
			if err := os.WriteFile(filepath.Join(other, "copies"), damaged, 0o600); err != nil {
				t.Fatal(err)
			}
			d, err := openCopies(other)
			if err != nil {
				t.Fatalf("damaged at %d: %v", n, err)
			}
			if got := d.standing(); got.Place.Seq != 0 && got.Place.Seq != 4 {
				t.Fatalf("damaged at %d: %v", n, got)
			}
			content(t, d) // what is found is there
			d.close()
		}
	}
}

func TestCopiesBeginAgain(t *testing.T) {
	c := openedCopies(t, t.TempDir())
	all := answers(t)
	if _, err := c.take(all[0]); err != nil {
		t.Fatal(err)
	}
	if _, err := c.take(&wire.PullAnswer{Reset: true, Place: wire.Place{Seq: 1, Created: 2}, Records: all[1].Records[:1]}); err != nil {
		t.Fatal(err)
	}
	if got, want := content(t, c), "{{1 "+none+" 2} []} m-3"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	// What no reader can read is left out.
	if odd, err := c.take(&wire.PullAnswer{Records: []wire.Pulled{{Record: []byte{1}}}}); odd != 1 || err != nil {
		t.Errorf("%d, %v", odd, err)
	}
}
