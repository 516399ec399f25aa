package projections

import (
	"sort"

	"ullage/events"
)

// timeline is what stood when: entries by ascending time, of which the last one up to a time is in force.
type timeline[T any] []entry[T]

type entry[T any] struct {
	from events.Millis
	what T
}

// add puts an entry at the end; facts come in the order of the fold.
func (l *timeline[T]) add(from events.Millis, what T) { *l = append(*l, entry[T]{from, what}) }

// last is the index of the entry in force at a time, -1 before the first.
func (l timeline[T]) last(t events.Millis) int {
	return sort.Search(len(l), func(i int) bool { return l[i].from > t }) - 1
}

// at is the entry in force at a time, which its own first moment belongs to.
func (l timeline[T]) at(t events.Millis) (what T, ok bool) {
	if i := l.last(t); i >= 0 {
		return l[i].what, true
	}
	return what, false
}

// since is the time from which the entry is in force that is so at t.
func (l timeline[T]) since(t events.Millis) (from events.Millis, ok bool) {
	if i := l.last(t); i >= 0 {
		return l[i].from, true
	}
	return 0, false
}
