package ledger

import "ullage/events"

// runningFrom is the place in the line from which the running balance up to an end counts: the first known volume
// since the bath was last renewed, and not more than twelve months before that end.
func (k *book) runningFrom(last int) (first int, since Since) {
	first, since = 0, SinceFirst
	for _, r := range k.renewals {
		if at := k.renewed(r); at <= last && at >= first {
			first, since = at, SinceRenewed
		}
	}
	year := events.MillisOf(k.ends[last].fact.At.Time().AddDate(-1, 0, 0))
	for first < last && k.ends[first].fact.At < year {
		first, since = first+1, SinceYear
	}
	return first, since
}

// renewed is the place in the line of the first known volume of a renewed bath: the departure of the visit that renewed
// it, whatever the time of either; where that is not known, the first volume that was measured later, of another visit.
// It is len(ends) where there is none.
func (k *book) renewed(r renewal) int {
	if !r.fact.Visit.IsZero() {
		for i := range k.ends {
			if k.ends[i].visit == r.fact.Visit && k.ends[i].moment == departure {
				return i
			}
		}
	}
	for i := range k.ends {
		if k.ends[i].n > r.n && (k.ends[i].visit.IsZero() || k.ends[i].visit != r.fact.Visit) {
			return i
		}
	}
	return len(k.ends)
}

// raised tells whether the running balance up to a span's end says what the span by itself does not: several small
// losses, none of them beyond its own uncertainty.
//
// A loss that was said once would stand in the running balance until the bath is renewed, and would be said again of
// every span that follows, however tight. Therefore what was said of a span already, and spans whose grade a late flow
// leaves open, are set apart: the rest too must lie beyond its own 3u, the same way. And the span must have its part
// in it: it leans that way by at least half of what the rest has come to a span.
func (k *book) raised(i int, v view) bool {
	first, _ := k.runningFrom(i + 1)
	if first >= i { // of one span there is nothing to run
		return false
	}
	whole := k.between(first, i+1, v)
	all, x := judge(&whole, measured{}), k.find(i, v).x
	if all.grade != Say || x.sign() != all.x.sign() {
		return false
	}
	var rest account
	spans := micro(0)
	for from := first; from <= i; {
		if k.apart(from, v) {
			from++
			continue
		}
		to := from + 1
		for to <= i && !k.apart(to, v) {
			to++
		}
		run := k.between(from, to, v)
		rest.join(&run)
		spans += micro(to - from)
		from = to
	}
	left := judge(&rest, measured{})
	return left.grade == Say && left.x.sign() == x.sign() && x.abs() >= left.x.abs()/(2*spans)
}

// apart tells whether a span is set apart from the running balance of the others.
func (k *book) apart(i int, v view) bool {
	alone, neighbours := k.said(i, v)
	return alone || neighbours || k.torn[i] != nil
}
