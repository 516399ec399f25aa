package projections

import (
	"crypto/sha256"
	"slices"
	"strings"

	"ullage/events"
)

// Projection is a fold as the store runs it for each machine.
type Projection struct {
	Name    string
	Version int // changes with what Results gives for the same input
	// Results are the settled results, ascending by What. They rest on the machine's records, and on the register at the
	// times of those (of where the machine stands, at any time); not on Vessels. So an entry of the register that counts
	// from behind the last record, and what others pour into a pail, change none of them, and the read model does not
	// fold again for it.
	Results func(in Input) []Result
}

// Input is all that the results of a machine are folded from.
type Input struct {
	Machine  events.MachineID
	History  History   // of the machine. What counts for another machine in the end is in it too, and is passed over
	Vessels  History   // of the vessels that its fluid came from or went to
	Register *Register // nil is empty
	Bounds   Bounds
}

// Result is one settled result: something that somebody may have acted on.
type Result struct {
	What  string // a stable name, such as left/<visit>/volume_l
	Value string // short JSON, the same bytes for the same result
}

// SortResults puts results into the order that a projection gives them in: ascending by What. Of two of one name the
// later stays.
func SortResults(all []Result) []Result {
	slices.SortStableFunc(all, func(a, b Result) int { return strings.Compare(a.What, b.What) })
	kept := all[:0]
	for i, r := range all {
		if i+1 == len(all) || all[i+1].What != r.What {
			kept = append(kept, r)
		}
	}
	return kept
}

// Restatement tells that an earlier result is another one now, or is none any more.
type Restatement struct {
	ID         events.Hash
	Projection string
	Key        string // of what: the machine
	What       string // the result's name
	Old        string // JSON
	New        string // JSON; empty where the result vanished
	CausedBy   events.Hash
}

const labelRestatement = "ullage.restatement.1"

// Restate compares the results of a machine before and after a commit, both ascending by What. A result that was not
// there before restates nothing. The ID is made of the commit, the projection, the machine and the result's name, so
// that whoever folds the same commit finds the same restatement.
func Restate(projection string, machine events.MachineID, commit events.Hash, old, new []Result) []Restatement {
	var all []Restatement
	for i, j := 0, 0; i < len(old); i++ {
		for j < len(new) && new[j].What < old[i].What {
			j++
		}
		now := ""
		if j < len(new) && new[j].What == old[i].What {
			now = new[j].Value
		}
		if now == old[i].Value {
			continue
		}
		all = append(all, Restatement{
			ID:         RestatementID(commit, projection, string(machine), old[i].What),
			Projection: projection, Key: string(machine), What: old[i].What, Old: old[i].Value, New: now, CausedBy: commit,
		})
	}
	return all
}

// RestatementID is SHA-256 over the labelled bytes of its four parts.
func RestatementID(commit events.Hash, projection, key, what string) events.Hash {
	return sha256.Sum256(events.Label(labelRestatement).Bytes(commit[:]).Text(projection).Text(key).Text(what))
}
