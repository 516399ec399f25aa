package ledger

import (
	"math"

	"ullage/projections"
)

// Grade says how far what is not explained lies beyond what measuring explains.
type Grade string

// The grades. A customer gets to see Say only.
const (
	None       Grade = "none"
	CannotTell Grade = "cannot-tell"
	Look       Grade = "look" // for technician and office: measure again
	Say        Grade = "say"
)

// rank orders the grades where the smaller of two counts.
var rank = map[Grade]int{None: 0, CannotTell: 1, Look: 2, Say: 3}

func smaller(a, b Grade) Grade {
	if rank[b] < rank[a] {
		return b
	}
	return a
}

// micro is an amount as it stands in results, in millionths of a litre. Grades are taken from these, so that whoever
// reads a result can take them again and nothing hangs on the last bit.
type micro int64

const litre micro = 1e6

func microOf(l float64) micro {
	const most = 1e18 // three times it is still a number
	x := math.Round(projections.Fixed(l) * float64(litre))
	return micro(min(max(x, -most), most))
}

func (m micro) abs() micro { return max(m, -m) }

func (m micro) sign() int {
	switch {
	case m > 0:
		return 1
	case m < 0:
		return -1
	}
	return 0
}

// finding is what one balance leaves unexplained.
type finding struct {
	x, u  micro
	grade Grade
}

// judge grades a balance by itself: beyond two standard uncertainties and a litre it is worth a second look, beyond
// three it can be said. expected is what was to be expected as a loss. Where its uncertainty exceeds half of it, what
// is only worth a look cannot be told: a loss that one cannot foresee well makes no suspicion. What is beyond three
// stands, for its uncertainty is in u already.
func judge(balance *account, expected measured) finding {
	f := finding{x: microOf(balance.l), u: microOf(balance.u()), grade: None}
	switch {
	case f.x.abs() > max(3*f.u, litre):
		f.grade = Say
	case f.x.abs() > max(2*f.u, litre):
		f.grade = Look
		if 2*microOf(expected.u()) > microOf(expected.l).abs() {
			f.grade = CannotTell
		}
	}
	return f
}

// beyond tells whether the finding is worth a look at least.
func (f finding) beyond() bool { return f.grade == Look || f.grade == Say }

// view is a way to read the books: with what was told or without, and with some late flows counted in the span after
// their own.
type view struct {
	told  int   // 1 with, 0 without
	span  int   // the span from which flows are moved
	moved []int // their places in the order of the fold
}

func (v view) moves(n int) bool {
	for _, m := range v.moved {
		if m == n {
			return true
		}
	}
	return false
}

// eachIn calls do for what counts in a span.
func (k *book) eachIn(i int, v view, do func(e *entry)) {
	list := k.spans[i].entries
	for j := range list {
		e := &list[j]
		if e.column == told && v.told == 0 || i == v.span && v.moves(e.n) {
			continue
		}
		do(e)
	}
	if len(v.moved) > 0 && i == v.span+1 {
		list = k.late[v.span]
		for j := range list {
			if v.moves(list[j].n) {
				do(&list[j])
			}
		}
	}
}

// sum is what flowed in a span, and what was to be expected as lost.
func (k *book) sum(i int, v view) *account {
	if len(v.moved) == 0 || i != v.span && i != v.span+1 {
		return &k.sums[v.told][i]
	}
	a := k.flowed(i, v)
	return &a
}

func (k *book) flowed(i int, v view) (a account) {
	k.eachIn(i, v, func(e *entry) {
		if e.known {
			a.add(e.amount, e.column.sign())
		}
	})
	a.add(k.expected(i), -1)
	return a
}

// between is the balance between two known volumes.
func (k *book) between(first, last int, v view) account {
	var a account
	start, finish := pair(&k.ends[first], &k.ends[last])
	a.add(start, 1)
	for i := first; i < last; i++ {
		a.join(k.sum(i, v))
	}
	a.add(finish, -1)
	return a
}

// closed tells whether a span has an end.
func (k *book) closed(i int) bool { return i >= 0 && i+1 < len(k.ends) }

// expected is the loss that was to be expected in a span. Evaporation and what parts hold are not reckoned yet.
func (k *book) expected(int) measured { return measured{} }

// find is what a span leaves unexplained by itself.
func (k *book) find(i int, v view) finding {
	if len(v.moved) == 0 || i != v.span && i != v.span+1 {
		return k.own[v.told][i]
	}
	a := k.between(i, i+1, v)
	return judge(&a, k.expected(i))
}

// said tells whether a span says so by itself, or with a neighbour that leans the same way. One that a late flow leaves
// open is no such neighbour.
func (k *book) said(i int, v view) (alone, neighbours bool) {
	f := k.find(i, v)
	if !f.beyond() {
		return false, false
	}
	for _, j := range [...]int{i - 1, i + 1} {
		if !k.closed(j) || k.torn[j] != nil {
			continue
		}
		if g := k.find(j, v); g.beyond() && g.x.sign() == f.x.sign() {
			neighbours = true
		}
	}
	return f.grade == Say, neighbours
}

// gradeOf is the grade of a closed span, and why.
func (k *book) gradeOf(i int, v view) (Grade, Because) {
	alone, neighbours := k.said(i, v)
	switch {
	case alone:
		return Say, BySpan
	case neighbours:
		return Say, ByNeighbours
	case k.raised(i, v):
		return Say, ByRunning
	}
	f := k.find(i, v)
	switch f.grade {
	case Look:
		return Look, BySpan
	case CannotTell:
		return CannotTell, ByExpected
	}
	return None, BySpan
}
