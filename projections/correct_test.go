package projections_test

import (
	"fmt"
	"sort"
	"strings"
	"testing"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/internal/story"
)

// tale is a small world: a reading R of 180 L by tab-1, and what is told about it.
type tale struct {
	tab, other, office *story.Teller
	names              []string
	by                 map[string]*projections.Arrival
	minute             int
}

func newTale() *tale {
	w := &tale{
		tab: &story.Teller{Device: "tab-1"}, other: &story.Teller{Device: "tab-2"}, office: &story.Teller{Device: "office-1", Office: true},
		by: map[string]*projections.Arrival{},
	}
	on := story.On{Site: "north-yard", Machine: "nw-01", Visit: story.Visit(1), By: "T2"}
	w.put("R", w.tab.Tell("2026-03-02T09:05:00+01:00", on, story.Volume("arrival", 180)))
	return w
}

func (w *tale) put(name string, a projections.Arrival) *projections.Arrival {
	w.names = append(w.names, name)
	w.by[name] = &a
	return &a
}

func (w *tale) next() string {
	w.minute++
	return fmt.Sprintf("2026-03-02T10:%02d:00+01:00", w.minute)
}

func (w *tale) list(over string) []*projections.Arrival {
	var all []*projections.Arrival
	for _, n := range strings.Fields(over) {
		all = append(all, w.by[n])
	}
	return all
}

// litres amends R to another volume.
func (w *tale) litres(name string, by *story.Teller, l float64, over string) *projections.Arrival {
	return w.put(name, by.Amend(w.next(), w.by["R"], events.RecordAmended{Body: story.Body(story.Volume("arrival", l))}, w.list(over)...))
}

func (w *tale) amend(name string, by *story.Teller, target string, b events.RecordAmended, over string) *projections.Arrival {
	return w.put(name, by.Amend(w.next(), w.by[target], b, w.list(over)...))
}

func (w *tale) withdraw(name string, by *story.Teller, target, over string) *projections.Arrival {
	return w.put(name, by.Withdraw(w.next(), w.by[target], w.list(over)...))
}

func (w *tale) admit(name string, by *story.Teller, target string) *projections.Arrival {
	return w.put(name, by.Admit(w.next(), w.by[target]))
}

func (w *tale) arrivals() []projections.Arrival {
	var all []projections.Arrival
	for _, n := range w.names {
		all = append(all, *w.by[n])
	}
	return all
}

// tell says in one line what became of each record, and what R counts as.
func (w *tale) tell(h projections.History) string {
	var said []string
	for i := range h.All {
		for name, a := range w.by {
			if a.Hash == h.All[i].Hash {
				said = append(said, name+" "+string(h.All[i].State))
			}
		}
	}
	sort.Strings(said)
	for i := range h.Facts {
		f := &h.Facts[i]
		if b, ok := f.Body.(*events.ReadingTaken); ok {
			said = append(said, fmt.Sprintf("%g on %s at %s by %s", *b.Value, f.Machine, f.Done.Format(f.Zone)[11:16], f.By))
		}
	}
	return strings.Join(said, ", ")
}

func TestCorrections(t *testing.T) {
	for _, c := range []struct {
		name string
		tell func(w *tale)
		want string
	}{
		{"none", func(w *tale) {}, "R stands, 180 on nw-01 at 09:05 by T2"},
		{"amended", func(w *tale) { w.litres("a", w.tab, 170, "") }, "R amended, a stands, 170 on nw-01 at 09:05 by T2"},
		{"withdrawn", func(w *tale) { w.withdraw("a", w.tab, "R", "") }, "R withdrawn, a stands"},
		{"amended twice", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.tab, 160, "a")
		}, "R amended, a amended, b stands, 160 on nw-01 at 09:05 by T2"},
		{"amended, then withdrawn", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.withdraw("b", w.tab, "R", "a")
		}, "R withdrawn, a withdrawn, b stands"},
		{"withdrawn, then brought back", func(w *tale) {
			w.withdraw("a", w.tab, "R", "")
			w.litres("b", w.office, 170, "a")
		}, "R amended, a amended, b stands, 170 on nw-01 at 09:05 by T2"},
		{"the withdrawal withdrawn", func(w *tale) {
			w.withdraw("a", w.tab, "R", "")
			w.withdraw("b", w.tab, "a", "")
		}, "R stands, a withdrawn, b stands, 180 on nw-01 at 09:05 by T2"},
		{"the amendment withdrawn", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.withdraw("b", w.tab, "a", "")
		}, "R stands, a withdrawn, b stands, 180 on nw-01 at 09:05 by T2"},
		{"the second amendment withdrawn restores the first", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.tab, 160, "a")
			w.withdraw("c", w.office, "b", "")
		}, "R amended, a stands, b withdrawn, c stands, 170 on nw-01 at 09:05 by T2"},
		{"the first amendment withdrawn leaves the second", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.tab, 160, "a")
			w.withdraw("c", w.office, "a", "")
		}, "R amended, a withdrawn, b stands, c stands, 160 on nw-01 at 09:05 by T2"},
		{"the withdrawal of an amendment withdrawn", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.withdraw("b", w.tab, "a", "")
			w.withdraw("c", w.tab, "b", "")
		}, "R amended, a stands, b withdrawn, c stands, 170 on nw-01 at 09:05 by T2"},
		{"the amendment amended", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.amend("b", w.tab, "a", events.RecordAmended{Body: story.Body(&events.RecordAmended{
				Target: w.by["R"].Target(), Why: events.Text{Plain: "again"}, Body: story.Body(story.Volume("arrival", 165))})}, "")
		}, "R amended, a amended, b stands, 165 on nw-01 at 09:05 by T2"},
		{"what an amendment leaves out stands", func(w *tale) {
			w.amend("a", w.tab, "R", events.RecordAmended{Machine: "nw-02", By: "T3"}, "")
			w.amend("b", w.tab, "R", events.RecordAmended{Done: "2026-03-02T08:00:00+01:00"}, "a")
		}, "R amended, a amended, b stands, 180 on nw-02 at 08:00 by T3"},
		{"to another machine and back", func(w *tale) {
			w.amend("a", w.tab, "R", events.RecordAmended{Machine: "nw-02"}, "")
			w.amend("b", w.tab, "R", events.RecordAmended{Machine: "nw-01"}, "a")
		}, "R amended, a amended, b stands, 180 on nw-01 at 09:05 by T2"},

		{"conflict: as it stood before", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.office, 160, "")
		}, "R conflict, a conflict, b conflict, 180 on nw-01 at 09:05 by T2"},
		{"conflict over a common base", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.tab, 160, "a")
			w.litres("c", w.office, 150, "a")
		}, "R conflict, a amended, b conflict, c conflict, 170 on nw-01 at 09:05 by T2"},
		{"conflict over a base that was withdrawn later", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.tab, 160, "a")
			w.litres("c", w.office, 150, "a")
			w.withdraw("d", w.office, "a", "")
		}, "R conflict, a withdrawn, b conflict, c conflict, d stands, 180 on nw-01 at 09:05 by T2"},
		{"conflict in which all say the same", func(w *tale) {
			w.withdraw("a", w.tab, "R", "")
			w.withdraw("b", w.office, "R", "")
		}, "R conflict, a conflict, b conflict"},
		{"conflict of a withdrawal and an amendment", func(w *tale) {
			w.withdraw("a", w.tab, "R", "")
			w.litres("b", w.office, 160, "")
		}, "R conflict, a conflict, b conflict, 180 on nw-01 at 09:05 by T2"},
		{"settled by the office", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.office, 160, "")
			w.litres("c", w.office, 165, "a b")
		}, "R amended, a amended, b amended, c stands, 165 on nw-01 at 09:05 by T2"},
		{"settled by the office's withdrawal", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.office, 160, "")
			w.withdraw("c", w.office, "R", "a b")
		}, "R withdrawn, a withdrawn, b withdrawn, c stands"},
		{"settled in the base's other fields", func(w *tale) {
			w.amend("a", w.tab, "R", events.RecordAmended{Machine: "nw-02"}, "")
			w.amend("b", w.office, "R", events.RecordAmended{Machine: "nw-03"}, "")
			w.amend("c", w.office, "R", events.RecordAmended{By: "T9"}, "a b")
		}, "R amended, a amended, b amended, c stands, 180 on nw-01 at 09:05 by T9"},
		{"the settlement withdrawn", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.office, 160, "")
			w.litres("c", w.office, 165, "a b")
			w.withdraw("d", w.office, "c", "")
		}, "R conflict, a conflict, b conflict, c withdrawn, d stands, 180 on nw-01 at 09:05 by T2"},
		{"one head withdrawn ends the conflict", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.office, 160, "")
			w.withdraw("c", w.office, "b", "")
		}, "R amended, a stands, b withdrawn, c stands, 170 on nw-01 at 09:05 by T2"},
		{"the office lists one of two", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.office, 160, "")
			w.litres("c", w.office, 165, "a")
		}, "R conflict, a amended, b conflict, c conflict, 180 on nw-01 at 09:05 by T2"},
		{"a device settles nothing", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.office, 160, "")
			w.litres("c", w.tab, 165, "a b")
		}, "R conflict, a conflict, b conflict, c conflict, 180 on nw-01 at 09:05 by T2"},
		{"nor over itself", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.office, 160, "")
			w.litres("c", w.tab, 165, "a b")
			w.litres("d", w.tab, 164, "c")
		}, "R conflict, a conflict, b conflict, c conflict, d conflict, 180 on nw-01 at 09:05 by T2"},
		{"the office settles over what a device tried", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.office, 160, "")
			w.litres("c", w.tab, 165, "a b")
			w.litres("d", w.office, 164, "c")
		}, "R amended, a amended, b amended, c amended, d stands, 164 on nw-01 at 09:05 by T2"},
		{"three heads", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.office, 160, "")
			w.litres("c", w.office, 150, "")
		}, "R conflict, a conflict, b conflict, c conflict, 180 on nw-01 at 09:05 by T2"},

		{"another's correction is held", func(w *tale) {
			w.litres("a", w.other, 170, "").Held = "another device's record"
		}, "R stands, a held, 180 on nw-01 at 09:05 by T2"},
		{"and counts where the centre let it pass", func(w *tale) {
			w.litres("a", w.other, 170, "")
		}, "R amended, a stands, 170 on nw-01 at 09:05 by T2"},
		{"and waits while it is only kept", func(w *tale) {
			w.litres("a", w.other, 170, "").Received = 0
		}, "R stands, a held, 180 on nw-01 at 09:05 by T2"},
		{"its own counts while it is only kept", func(w *tale) {
			w.litres("a", w.tab, 170, "").Received = 0
		}, "R amended, a stands, 170 on nw-01 at 09:05 by T2"},
		{"the office's counts while it is only kept", func(w *tale) {
			w.litres("a", w.office, 170, "").Received = 0
		}, "R amended, a stands, 170 on nw-01 at 09:05 by T2"},
		{"admitted", func(w *tale) {
			w.litres("a", w.other, 170, "").Held = "another device's record"
			w.admit("b", w.office, "a")
		}, "R amended, a stands, b stands, 170 on nw-01 at 09:05 by T2"},
		{"admitted by a device", func(w *tale) {
			w.litres("a", w.other, 170, "").Held = "another device's record"
			w.admit("b", w.tab, "a").Held = "the office's kind"
		}, "R stands, a held, b held, 180 on nw-01 at 09:05 by T2"},
		{"admitted by a device that nobody held", func(w *tale) {
			w.litres("a", w.other, 170, "").Held = "another device's record"
			w.admit("b", w.tab, "a")
		}, "R stands, a held, b stands, 180 on nw-01 at 09:05 by T2"},
		{"the admission withdrawn", func(w *tale) {
			w.litres("a", w.other, 170, "").Held = "another device's record"
			w.admit("b", w.office, "a")
			w.withdraw("c", w.office, "b", "")
		}, "R stands, a held, b withdrawn, c stands, 180 on nw-01 at 09:05 by T2"},
		{"the admission withdrawn by one who waits himself", func(w *tale) {
			w.litres("a", w.other, 170, "").Held = "another device's record"
			w.admit("b", w.office, "a")
			w.withdraw("c", w.other, "b", "").Held = "another device's record"
		}, "R amended, a stands, b stands, c held, 170 on nw-01 at 09:05 by T2"},
		{"the target held", func(w *tale) {
			w.by["R"].Held = "not a reading"
			w.litres("a", w.tab, 170, "")
		}, "R held, a stands"},
		{"the target held, then admitted", func(w *tale) {
			w.by["R"].Held = "not a reading"
			w.litres("a", w.tab, 170, "")
			w.admit("b", w.office, "R")
		}, "R amended, a stands, b stands, 170 on nw-01 at 09:05 by T2"},
		{"what is held is passed through", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.other, 160, "a").Held = "another device's record"
			w.litres("c", w.office, 150, "b")
		}, "R amended, a amended, b held, c stands, 150 on nw-01 at 09:05 by T2"},
		{"a correction that settles from a device counts once admitted", func(w *tale) {
			w.litres("a", w.tab, 170, "")
			w.litres("b", w.other, 160, "a").Held = "another device's record"
			w.admit("c", w.office, "b")
		}, "R amended, a amended, b stands, c stands, 160 on nw-01 at 09:05 by T2"},
	} {
		w := newTale()
		c.tell(w)
		arrivals := w.arrivals()
		if got := w.tell(projections.Resolve(arrivals, projections.Now)); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
		// Without the target the corrections wait, and stand as they are.
		for _, f := range projections.Resolve(arrivals[1:], projections.Now).All {
			if f.State == projections.Conflict {
				t.Errorf("%s, without its target: %s", c.name, f.Record.Kind)
			}
		}
	}
}
