package evidence_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/evidence"
	"ullage/projections/internal/story"
)

// digest makes one that a test calls by a letter.
func digest(name string) events.Digest { return events.Digest{name[0], 1} }

func digests(names string) (all []events.Digest) {
	for _, n := range names {
		all = append(all, digest(string(n)))
	}
	return all
}

func names(all []events.Digest) (s string) {
	for _, d := range all {
		s += string(rune(d[0]))
	}
	return s
}

func text(s string) events.Text { return events.Text{Plain: s} }

// tale is what an office and a device write, an hour after the other.
type tale struct {
	office, tab *story.Teller
	hour        int
	all         []projections.Arrival
}

func newTale() *tale {
	return &tale{office: &story.Teller{Device: "office-1", Office: true}, tab: &story.Teller{Device: "tab-1"}}
}

func (w *tale) now() string {
	w.hour++
	return fmt.Sprintf("2026-03-02T%02d:00:00+01:00", w.hour)
}

func (w *tale) add(a projections.Arrival) *projections.Arrival {
	w.all = append(w.all, a)
	return &w.all[len(w.all)-1]
}

func (w *tale) tell(by *story.Teller, on story.On, b events.Body) *projections.Arrival {
	return w.add(by.Tell(w.now(), on, b))
}

func (w *tale) erase(by *story.Teller, pieces, ground string) *projections.Arrival {
	return w.tell(by, story.On{By: "O1"}, &events.ErasureDone{Evidence: digests(pieces), Ground: text(ground)})
}

func (w *tale) hold(on story.On, pieces, why string) *projections.Arrival {
	return w.tell(w.office, on, &events.HoldPlaced{Evidence: digests(pieces), Why: text(why)})
}

func (w *tale) lift(on story.On, pieces string) *projections.Arrival {
	return w.tell(w.office, on, &events.HoldLifted{Evidence: digests(pieces), Why: text("over")})
}

func fold(all []projections.Arrival) *evidence.State {
	return evidence.Fold(projections.Resolve(all, projections.Now))
}

// words tells a state in one line.
func words(s *evidence.State) string {
	var all []string
	for _, o := range s.Orders {
		all = append(all, fmt.Sprintf("%s erased: %s by %s", names([]events.Digest{o.Evidence}), o.Ground.Plain, o.By))
	}
	for _, h := range s.Holds {
		about := names(h.Evidence)
		if about == "" {
			about = h.Scope.String()
		}
		all = append(all, fmt.Sprintf("%s held: %s", about, h.Why.Plain))
	}
	return strings.Join(all, "; ")
}

func TestFold(t *testing.T) {
	var nowhere story.On
	visit := story.Visit(1)
	for _, c := range []struct {
		name string
		tell func(w *tale)
		want string
	}{
		{"an order", func(w *tale) { w.erase(w.office, "ab", "asked for") }, "a erased: asked for by O1; b erased: asked for by O1"},
		{"again: the first counts", func(w *tale) { w.erase(w.office, "a", "first"); w.erase(w.office, "ab", "second") }, "a erased: first by O1; b erased: second by O1"},
		{"a device orders nothing", func(w *tale) { w.erase(w.tab, "a", "mine") }, ""},
		{"an order is not taken back", func(w *tale) {
			w.all = append(w.all, w.office.Withdraw("2026-03-03T01:00:00Z", w.erase(w.office, "a", "asked for")))
		}, "a erased: asked for by O1"},
		{"nor changed", func(w *tale) {
			o := w.erase(w.office, "a", "asked for")
			w.all = append(w.all, w.office.Amend("2026-03-03T01:00:00Z", o, events.RecordAmended{Body: story.Body(&events.ErasureDone{Evidence: digests("b"), Ground: text("x")})}))
		}, "a erased: asked for by O1"},
		{"an order that is held is none", func(w *tale) { w.erase(w.office, "a", "odd").Held = "odd" }, ""},

		{"a hold on pieces", func(w *tale) { w.hold(nowhere, "ab", "dispute") }, "ab held: dispute"},
		{"on pieces, wherever they are from", func(w *tale) { w.hold(story.On{Site: "s", Visit: visit}, "ab", "dispute") }, "ab held: dispute"},
		{"on a visit, of a machine at a site", func(w *tale) { w.hold(story.On{Site: "s", Machine: "m", Visit: visit}, "", "dispute") }, "visit " + visit.String() + " held: dispute"},
		{"on a machine at a site", func(w *tale) { w.hold(story.On{Site: "s", Machine: "m"}, "", "dispute") }, "machine m held: dispute"},
		{"on a site", func(w *tale) { w.hold(story.On{Site: "s"}, "", "dispute") }, "site s held: dispute"},
		{"on nothing", func(w *tale) { w.hold(nowhere, "", "dispute") }, ""},
		{"lifted in part", func(w *tale) { w.hold(nowhere, "abc", "dispute"); w.lift(nowhere, "bx") }, "ac held: dispute"},
		{"lifted", func(w *tale) { w.hold(nowhere, "ab", "dispute"); w.lift(nowhere, "ab") }, ""},
		{"lifted in two steps, and placed again", func(w *tale) {
			w.hold(nowhere, "ab", "dispute")
			w.lift(nowhere, "a")
			w.lift(nowhere, "b")
			w.hold(nowhere, "b", "another")
		}, "b held: another"},
		{"overlapping: all on the piece are lifted", func(w *tale) {
			w.hold(nowhere, "ab", "one")
			w.hold(nowhere, "b", "two")
			w.lift(nowhere, "b")
		}, "a held: one"},
		{"a site stays held when its machine is not", func(w *tale) {
			w.hold(story.On{Site: "s"}, "", "one")
			w.hold(story.On{Site: "s", Machine: "m"}, "", "two")
			w.lift(story.On{Machine: "m"}, "")
		}, "site s held: one"},
		{"a scope is not lifted by its pieces, nor pieces by a scope", func(w *tale) {
			w.hold(story.On{Site: "s"}, "", "one")
			w.hold(nowhere, "a", "two")
			w.lift(nowhere, "b")
			w.lift(story.On{Site: "t"}, "")
		}, "site s held: one; a held: two"},
		{"one of two is withdrawn", func(w *tale) {
			one := *w.hold(nowhere, "a", "one")
			w.hold(nowhere, "a", "two")
			w.all = append(w.all, w.office.Withdraw("2026-03-03T01:00:00Z", &one))
		}, "a held: two"},
		{"an amended hold", func(w *tale) {
			one := *w.hold(nowhere, "a", "one")
			w.all = append(w.all, w.office.Amend("2026-03-03T01:00:00Z", &one, events.RecordAmended{Body: story.Body(&events.HoldPlaced{Evidence: digests("ab"), Why: text("both")})}))
		}, "ab held: both"},
		{"a hold by a device", func(w *tale) {
			w.tell(w.tab, nowhere, &events.HoldPlaced{Evidence: digests("a"), Why: text("mine")}).Held = "only the office may write hold.placed"
		}, ""},
	} {
		w := newTale()
		c.tell(w)
		if got := words(fold(w.all)); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// What counts is the order in which the office wrote, whenever it says that it happened.
func TestOrderOfWriting(t *testing.T) {
	w := newTale()
	late := w.hold(story.On{}, "a", "dated ahead")
	late.Record.Done, late.Received = story.Millis("2030-01-01T00:00:00Z"), story.Millis("2030-01-01T00:00:00Z")
	story.Seal(late)
	w.lift(story.On{}, "a")
	back := w.hold(story.On{}, "b", "dated back")
	back.Record.Done = story.Millis("2020-01-01T00:00:00Z")
	story.Seal(back)
	if got, want := words(fold(w.all)), "b held: dated back"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	s := fold(w.all)
	if h, ok := s.On(digest("b")); !ok || h.By != "" || h.Device != "office-1" || h.ID != back.Record.ID || h.Done != back.Record.Done {
		t.Errorf("the hold: %+v, %v", h, ok)
	}
	if _, ok := s.On(digest("a")); ok {
		t.Error("a is held")
	}
	if _, ok := s.OnScope(evidence.Scope{Site: "s"}); ok {
		t.Error("a site is held")
	}
}

// Any order of arrival, with repeats, gives the same.
func TestPermutations(t *testing.T) {
	w := newTale()
	w.hold(story.On{}, "abc", "one")
	w.erase(w.tab, "x", "early")
	w.hold(story.On{Machine: "m"}, "", "two")
	o := *w.erase(w.office, "xy", "asked for")
	w.lift(story.On{}, "b")
	w.erase(w.tab, "xy", "done")
	w.erase(w.tab, "z", "on its own")
	w.all = append(w.all, w.office.Withdraw("2026-03-03T01:00:00Z", &o))
	tell := func(all []projections.Arrival) string {
		var c evidence.Confirmed
		var rest []projections.Arrival
		for i := range all {
			if !c.Add(&all[i]) {
				rest = append(rest, all[i])
			}
		}
		s := fold(rest)
		if whole := words(fold(all)); whole != words(s) {
			t.Errorf("with confirmations %s, without %s", whole, words(s))
		}
		return fmt.Sprint(words(s), c.Of(digest("x")), c.Of(digest("y")), names(c.Without(s)))
	}
	want := tell(w.all)
	for seed := range uint64(50) {
		random := rand.New(rand.NewPCG(seed, 1))
		all := append(slices.Clone(w.all), w.all[random.IntN(len(w.all))])
		random.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
		if got := tell(all); got != want {
			t.Fatalf("seed %d: %s, want %s", seed, got, want)
		}
	}
}

func TestConfirmed(t *testing.T) {
	w := newTale()
	first := *w.erase(w.tab, "a", "done")
	again := *w.erase(w.tab, "ab", "done again")
	held := *w.erase(w.tab, "c", "odd")
	held.Held = "not in its form"
	office := *w.erase(w.office, "b", "asked for")
	note := *w.tell(w.tab, story.On{}, &events.NoteWritten{Text: text("fine")})
	var c evidence.Confirmed
	for _, x := range []struct {
		a    *projections.Arrival
		want bool
	}{{&again, true}, {&first, true}, {&held, true}, {&office, false}, {&note, false}, {&again, true}} {
		if got := c.Add(x.a); got != x.want {
			t.Errorf("Add(%s %d) = %v", x.a.Record.Device, x.a.Record.Seq, got)
		}
	}
	for _, x := range []struct {
		piece string
		upto  events.Seq
		want  bool
	}{{"a", 0, false}, {"a", 1, true}, {"a", 9, true}, {"b", 1, false}, {"b", 2, true}, {"c", 9, false}} {
		if got := c.By("tab-1", digest(x.piece), x.upto); got != x.want {
			t.Errorf("By(%s, %d) = %v", x.piece, x.upto, got)
		}
	}
	if c.By("tab-2", digest("a"), 9) {
		t.Error("another device has confirmed it")
	}
	if of := c.Of(digest("a")); len(of) != 1 || of[0].Seq != 1 || of[0].ID != first.Record.ID || of[0].Done != first.Record.Done {
		t.Errorf("Of = %+v", of)
	}
	if got := names(c.Without(fold([]projections.Arrival{office}))); got != "a" {
		t.Errorf("without an order: %s", got)
	}
}

// What records name, an amendment's new content as well.
func TestNamed(t *testing.T) {
	w := newTale()
	note := *w.tell(w.tab, story.On{}, &events.NoteWritten{Text: events.Text{Digest: digest("a")}})
	w.tell(w.tab, story.On{}, &events.PhotoTaken{Evidence: digest("b"), Preview: digest("c")})
	w.all = append(w.all, w.tab.Amend("2026-03-03T01:00:00Z", &note, events.RecordAmended{Body: story.Body(&events.NoteWritten{Text: events.Text{Digest: digest("d")}})}))
	found := map[events.Digest]bool{}
	evidence.Named(found, projections.Resolve(w.all, projections.Now).All)
	if len(found) != 4 || !found[digest("a")] || !found[digest("b")] || !found[digest("c")] || !found[digest("d")] {
		t.Errorf("found %v", found)
	}
}
