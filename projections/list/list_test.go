package list

import (
	"encoding/json"
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/projections/internal/story"
	"ullage/projections/machine"
)

// told is all that the projections say about both machines, as bytes.
func told(t *rapid.T, arrivals []projections.Arrival, b projections.Bounds) string {
	h := projections.Resolve(arrivals, b)
	reg := projections.NewRegister(h)
	show := func(r *events.Record) json.RawMessage { return json.RawMessage(fmt.Sprintf(`"%x"`, r.Body)) }
	out := ""
	put := func(x any) {
		text, err := json.Marshal(x)
		if err != nil {
			t.Fatal(err)
		}
		out += string(text) + "\n"
	}
	for _, id := range []events.MachineID{"nw-01", "nw-02"} {
		in := projections.Input{Machine: id, History: h, Vessels: h, Register: reg, Bounds: b}
		for _, p := range All {
			if p.Results != nil {
				results := p.Results(in)
				put(results)
				for i := range results[:max(len(results)-1, 0)] {
					if results[i].What >= results[i+1].What {
						t.Fatalf("%s: %q does not come before %q", p.Name, results[i].What, results[i+1].What)
					}
				}
			}
		}
		put(machine.Fold(in))
		put(audit.Rows(h, audit.Query{Machine: id}, reg, nil, show))
		put(projections.Needs(id, h))
	}
	put(audit.Rows(h, audit.Query{}, reg, nil, show))
	return out
}

// Whatever the order of arrival, in however many pieces and repeats: the same bytes.
func TestOrderOfArrivalDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		arrivals := story.Random(t)
		b := projections.Now
		if rapid.Bool().Draw(t, "bounded") {
			b.AsOf = story.Millis("2026-03-02T09:00:00Z")
			b.KnownAt = story.Millis("2026-03-02T10:00:00Z")
		}
		want := told(t, arrivals, b)
		again := rapid.Permutation(arrivals).Draw(t, "order")
		again = append(again, rapid.SliceOfN(rapid.SampledFrom(arrivals), 0, 5).Draw(t, "repeats")...)
		for i := range again { // a later copy, as after a healing, counts no more than a repeat
			if i >= len(arrivals) && again[i].Received != 0 {
				again[i].Received += events.Millis(rapid.IntRange(0, 1e6).Draw(t, "later"))
			}
			if rapid.Bool().Draw(t, "decoded") {
				c := projections.Read(again[i].Record.Kind, again[i].Record.V, again[i].Record.Body)
				again[i].Content = &c
			}
		}
		again = rapid.Permutation(again).Draw(t, "order with repeats")
		if got := told(t, again, b); got != want {
			t.Fatalf("got\n%s\nwant\n%s", got, want)
		}
	})
}

// What is not bounded is the same as bounded by the last moment; what is bounded does not change with what comes later.
func TestThePastStands(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		arrivals := story.Random(t)
		b := projections.Bounds{AsOf: events.MaxMillis, KnownAt: story.Millis("2026-03-02T10:00:00Z")}
		var then []projections.Arrival
		for _, a := range arrivals {
			if a.Received <= b.KnownAt {
				then = append(then, a)
			}
		}
		if got, want := told(t, arrivals, b), told(t, then, b); got != want {
			t.Fatalf("known at bounds what is known:\n%s\n%s", got, want)
		}
	})
}

func TestNamesAreOne(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range All {
		if p.Name == "" || p.Version < 1 || seen[p.Name] {
			t.Errorf("projection %q, version %d", p.Name, p.Version)
		}
		seen[p.Name] = true
	}
}
