package projections_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/internal/story"
)

// copies are the copies of one tablet, and an office: m wrote m1 to m4, which came first; n goes on behind m2 with n3 to
// n5, and p behind n4 with p5.
type copies struct {
	*tale
	m, n, p *story.Teller
}

func newCopies() *copies {
	w := &copies{tale: &tale{office: &story.Teller{Device: "office-1", Office: true}, by: map[string]*projections.Arrival{}}}
	w.m = &story.Teller{Device: "tab-1"}
	write := func(t *story.Teller, names ...string) {
		for _, name := range names {
			on := story.On{Site: "north-yard", Machine: "nw-01", Visit: story.Visit(1), By: "T2"}
			w.put(name, t.Tell(w.next(), on, story.Volume("working", float64(len(w.names)))))
		}
	}
	write(w.m, "m1", "m2", "m3", "m4")
	w.n = w.m.Part(2)
	write(w.n, "n3", "n4", "n5")
	w.p = w.n.Part(4)
	write(w.p, "p5")
	return w
}

func (w *copies) settle(name string, by *story.Teller, t *story.Teller, seq events.Seq) *projections.Arrival {
	return w.put(name, by.Tell(w.next(), story.On{}, &events.BranchSettled{Device: "tab-1", Stands: t.Branch(seq)}))
}

// count tells which records of the tablet count, which wait and which are overruled.
func (w *copies) count(b projections.Bounds, except ...string) string {
	var arrivals []projections.Arrival
	for _, name := range w.names {
		if !slices.Contains(except, name) {
			arrivals = append(arrivals, *w.by[name])
		}
	}
	h := projections.Resolve(arrivals, b)
	said := map[projections.State][]string{}
	counts := 0
	for i := range h.All {
		for name, a := range w.by {
			if a.Hash == h.All[i].Hash && a.Record.Device == "tab-1" {
				said[h.All[i].State] = append(said[h.All[i].State], name)
			}
		}
	}
	for i := range h.Facts {
		if f := &h.Facts[i]; f.Record.Device == "tab-1" {
			counts++
		}
	}
	if stand := len(said[projections.Stands]) + len(said[projections.Amended]); counts != stand {
		return fmt.Sprintf("%d facts, and %d records stand", counts, stand)
	}
	var all []string
	for _, s := range []projections.State{projections.Stands, projections.Amended, projections.Conflict, projections.Held} {
		slices.Sort(said[s])
		all = append(all, strings.Join(said[s], " "))
	}
	return strings.Join(all, "|")
}

func TestBranches(t *testing.T) {
	for _, c := range []struct {
		what string
		tell func(w *copies)
		want string // standing | amended | in conflict | held
	}{
		{"nobody has settled anything", func(*copies) {}, "m1 m2||m3 m4 n3 n4 n5 p5|"},
		{"the first stands", func(w *copies) { w.settle("s", w.office, w.m, 3) }, "m1 m2 m3 m4|||n3 n4 n5 p5"},
		{"the second stands, and is divided itself", func(w *copies) { w.settle("s", w.office, w.n, 3) }, "m1 m2 n3 n4||n5 p5|m3 m4"},
		{"both are settled", func(w *copies) { w.settle("s", w.office, w.n, 3); w.settle("u", w.office, w.p, 5) }, "m1 m2 n3 n4 p5|||m3 m4 n5"},
		{"the inner one only", func(w *copies) { w.settle("u", w.office, w.p, 5) }, "m1 m2||m3 m4 n3 n4 p5|n5"},
		{"the newest word counts", func(w *copies) { w.settle("s", w.office, w.n, 3); w.settle("u", w.office, w.m, 3) }, "m1 m2 m3 m4|||n3 n4 n5 p5"},
		{"it is taken back", func(w *copies) { w.withdraw("x", w.office, "s0", "") }, "m1 m2||m3 m4 n3 n4 n5 p5|"},
		{"the newest is taken back", func(w *copies) {
			w.settle("s", w.office, w.m, 3)
			w.settle("u", w.office, w.n, 3)
			w.withdraw("x", w.office, "u", "")
		}, "m1 m2 m3 m4|||n3 n4 n5 p5"},
		{"a device settles nothing", func(w *copies) { w.settle("s", &story.Teller{Device: "tab-2"}, w.m, 3) }, "m1 m2||m3 m4 n3 n4 n5 p5|"},
		{"what is no parting settles nothing", func(w *copies) { w.settle("s", w.office, w.m, 4) }, "m1 m2||m3 m4 n3 n4 n5 p5|"},
		{"what is held stays held", func(w *copies) { w.by["m3"].Held = "odd"; w.settle("s", w.office, w.m, 3) }, "m1 m2 m4|||m3 n3 n4 n5 p5"},
		{"and is let in as any other", func(w *copies) {
			w.by["m3"].Held = "odd"
			w.settle("s", w.office, w.m, 3)
			w.admit("a", w.office, "m3")
		}, "m1 m2 m3 m4|||n3 n4 n5 p5"},
		{"which lets in no branch", func(w *copies) { w.admit("a", w.office, "n3"); w.settle("s", w.office, w.m, 3) }, "m1 m2 m3 m4|||n3 n4 n5 p5"},
		{"a correction from behind the parting", func(w *copies) {
			w.put("m5", w.m.Amend(w.next(), w.by["m1"], events.RecordAmended{By: "T9"}))
		}, "m1 m2||m3 m4 m5 n3 n4 n5 p5|"},
	} {
		t.Run(c.what, func(t *testing.T) {
			w := newCopies()
			w.settle("s0", w.office, w.p, 3)
			if !strings.HasPrefix(c.what, "it is taken") {
				w.withdraw("x0", w.office, "s0", "")
			}
			c.tell(w)
			if got := w.count(projections.Now); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

// A parting is known from when the branch was received; until then what came first counts.
func TestBranchesKnownAt(t *testing.T) {
	w := newCopies()
	s := w.settle("s", w.office, w.n, 3)
	for _, c := range []struct {
		at   events.Millis
		want string
	}{
		{w.by["m4"].Received, "m1 m2 m3 m4|||"},
		{w.by["n3"].Received, "m1 m2||m3 m4 n3|"},
		{w.by["p5"].Received, "m1 m2||m3 m4 n3 n4 n5 p5|"},
		{s.Received, "m1 m2 n3 n4||n5 p5|m3 m4"},
	} {
		if got := w.count(projections.Bounds{AsOf: events.MaxMillis, KnownAt: c.at}); got != c.want {
			t.Errorf("at %v: got %s, want %s", c.at, got, c.want)
		}
	}
}

// A history in which nothing of a branch stands is told of the parting without its records.
func TestPartingByItself(t *testing.T) {
	w := newCopies()
	n3 := w.by["n3"]
	w.put("parting", projections.Arrival{Record: events.Record{Device: "tab-1", Seq: 3}, Received: n3.Received, Parted: n3.Parted})
	if got := w.count(projections.Now, "n3", "n4", "n5", "p5"); got != "m1 m2||m3 m4|" {
		t.Errorf("got %s", got)
	}
	forks := projections.Forks(w.arrivals(), projections.Now)
	if len(forks) != 2 || forks[0].Seq != 3 || forks[1].Seq != 5 {
		t.Fatalf("%+v", forks)
	}
	for i, want := range [][]events.Hash{{w.m.Branch(3).Link, w.n.Branch(3).Link}, {w.n.Branch(5).Link, w.p.Branch(5).Link}} {
		for k, side := range forks[i].Branches {
			if side.Link != want[k] || side.Stands || len(side.Records) != [][]int{{2, 4}, {1, 1}}[i][k] {
				t.Errorf("fork %d, branch %d: %+v", i, k, side)
			}
		}
	}
}

// Whatever the order in which things become known, and whatever comes twice: the same counts, and the same forks are told.
func TestBranchesInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		arrivals := story.Random(t)
		other := rapid.Permutation(append(slices.Clone(arrivals), arrivals[rapid.IntRange(0, len(arrivals)-1).Draw(t, "twice")])).Draw(t, "order")
		if got, want := shown(t, projections.Resolve(other, projections.Now)), shown(t, projections.Resolve(arrivals, projections.Now)); got != want {
			t.Fatalf("got\n%s\nwant\n%s", got, want)
		}
		told := func(all []projections.Arrival) string {
			b, err := json.Marshal(projections.Forks(all, projections.Now))
			if err != nil {
				t.Fatal(err)
			}
			return string(b)
		}
		if got, want := told(other), told(arrivals); got != want {
			t.Fatalf("got\n%s\nwant\n%s", got, want)
		}
	})
}
