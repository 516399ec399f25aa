package wire

import (
	"slices"

	"ullage/events"
)

// Ranges are ranges of a device's numbers, ascending and apart: between two of them at least one number is missing.
type Ranges []Range

// Add takes a range in.
func (all *Ranges) Add(r Range) {
	list := *all
	// Most come in their order.
	at, _ := slices.BinarySearchFunc(list, r.From, func(x Range, from events.Seq) int {
		if x.To+1 < from {
			return -1
		}
		return 1
	})
	end := at
	for end < len(list) && list[end].From <= r.To+1 {
		r.From, r.To = min(r.From, list[end].From), max(r.To, list[end].To)
		end++
	}
	*all = slices.Replace(list, at, end, r)
}

// Without are the numbers of all that are not in others.
func (all Ranges) Without(others Ranges) (rest Ranges) {
	for _, r := range all {
		for _, o := range others {
			if o.To < r.From {
				continue
			}
			if o.From > r.To {
				break
			}
			if o.From > r.From {
				rest = append(rest, Range{r.From, o.From - 1})
			}
			if r.From = o.To + 1; r.From > r.To {
				break
			}
		}
		if r.From <= r.To {
			rest = append(rest, r)
		}
	}
	return rest
}
