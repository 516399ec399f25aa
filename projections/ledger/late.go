package ledger

import (
	"slices"

	"ullage/events"
)

// tear finds the flows that a visit names but that were done after its last volume was read, and that matter: whether
// they are counted where they belong, or in the next span, changes a grade. Nobody can tell whether the stick had seen
// them. Each is tried by itself, and then all of a span together.
func (k *book) tear() {
	torn := make([][]events.RecordID, len(k.spans))
	for span := -1; span < len(k.spans)-1; span++ {
		list := k.late[span]
		if len(list) == 0 {
			continue
		}
		var all, guilty []int
		for _, e := range list {
			all = append(all, e.n)
			if k.changes(view{span: span, moved: []int{e.n}}) {
				guilty = append(guilty, e.n)
			}
		}
		if len(guilty) == 0 && len(all) > 1 && k.changes(view{span: span, moved: all}) {
			guilty = all
		}
		for _, e := range list {
			if !slices.Contains(guilty, e.n) {
				continue
			}
			if span >= 0 {
				torn[span] = append(torn[span], e.fact.Record.ID)
			}
			torn[span+1] = append(torn[span+1], e.fact.Record.ID)
		}
	}
	k.torn = torn
}

// changes tells whether a view changes the grade of the span from which it moves flows, or of the next.
func (k *book) changes(v view) bool {
	for i := max(v.span, 0); i <= v.span+1; i++ {
		if k.closed(i) && k.counting(i, v).grade != k.counting(i, view{}).grade {
			return true
		}
	}
	return false
}

// judgement is what counts of a span.
type judgement struct {
	grade   Grade
	because Because
	told    bool // it counts what was told
}

// counting is the smaller of the two grades of a closed span: with what was told, and without.
func (k *book) counting(i int, v view) judgement {
	v.told = 1
	with, why := k.gradeOf(i, v)
	v.told = 0
	without, whyNot := k.gradeOf(i, v)
	if rank[without] < rank[with] {
		return judgement{without, whyNot, false}
	}
	return judgement{with, why, true}
}

// judged is the grade of a span in the end.
func (k *book) judged(i int) judgement {
	switch {
	case k.torn[i] != nil:
		return judgement{CannotTell, ByLateFlow, true}
	case !k.closed(i):
		return judgement{CannotTell, ByOpenEnd, true}
	}
	j := k.counting(i, view{})
	if j.grade != Look && j.grade != Say {
		return j
	}
	told := 0
	if j.told {
		told = 1
	}
	x := k.own[told][i].x
	if why := k.unknown(i, x); why != "" {
		return judgement{CannotTell, why, j.told}
	}
	return j
}

// unknown tells whether a record of the span has no amount but would explain what is not explained: something went out
// and something is missing, or something came in and there is more than was measured.
func (k *book) unknown(i int, x micro) Because {
	for j := range k.spans[i].entries {
		e := &k.spans[i].entries[j]
		if e.known || e.lean == 0 || (e.lean < 0) != (x > 0) {
			continue
		}
		if e.column == told {
			return ByToldWithoutAmount
		}
		return ByFlowWithoutAmount
	}
	return ""
}

// reckon finds what every span leaves unexplained, and then what late flows leave open.
func (k *book) reckon() {
	for with := range k.own {
		v := view{told: with}
		k.sums[with] = make([]account, len(k.spans))
		k.own[with] = make([]finding, len(k.spans))
		for i := range k.spans {
			k.sums[with][i] = k.flowed(i, v)
			if k.closed(i) {
				a := k.between(i, i+1, v)
				k.own[with][i] = judge(&a, k.expected(i))
			}
		}
	}
	k.tear()
}
