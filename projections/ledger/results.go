package ledger

import (
	"strconv"

	"ullage/projections"
)

// Results are the settled results: of every closed span what is not explained, its grade and its verdict. A span is
// named by its tank and its two ends, and an end by its visit and moment, so that the name stays when a reading is
// amended or taken again.
//
// They are those of Fold, without what Fold makes for people: the read model asks for them at every commit.
func Results(in projections.Input) []projections.Result {
	b := keep(in.Machine, in.History.Facts, in.Register)
	var all []projections.Result
	for _, k := range b.byTank {
		k.reckon()
		for i := range k.spans {
			if !k.closed(i) {
				break
			}
			name := "span/" + k.tank + "/" + k.ends[i].name() + "/" + k.ends[i+1].name() + "/"
			left := k.between(i, i+1, view{told: 1})
			all = append(all,
				projections.Result{What: name + "grade", Value: strconv.Quote(string(k.judged(i).grade))},
				projections.Result{What: name + "unexplained_l", Value: jsonOf(left.result())},
				projections.Result{What: name + "verdict", Value: strconv.Quote(string(Undecided))})
		}
	}
	return projections.SortResults(all)
}

// jsonOf is an amount as JSON has it.
func jsonOf(m projections.Measured) string {
	b := append(make([]byte, 0, 40), `{"value":`...)
	b = strconv.AppendFloat(b, float64(m.Value), 'f', -1, 64)
	b = append(b, `,"u":`...)
	return string(append(strconv.AppendFloat(b, float64(m.U), 'f', -1, 64), '}'))
}
