package entry

import (
	"encoding/json"

	"ullage/events"
)

// Answer tells what became of one line. In JSON it is {"seq","id","visit"}, visit being null where there is none, and
// what else applies.
type Answer struct {
	Seq     events.Seq
	ID      events.RecordID
	Visit   events.RecordID // zero for none
	Again   bool            // the line had been recorded before, under the same key; Seq and ID are the first's
	Held    bool            // kept, but it counts only when the office has admitted it
	Warning string          // what to tell the person
	Flags   []string        // what is odd about the record, which was accepted all the same
}

type answerJSON struct {
	Seq     events.Seq `json:"seq"`
	ID      string     `json:"id"`
	Visit   *string    `json:"visit"`
	Again   bool       `json:"again,omitempty"`
	Held    bool       `json:"held,omitempty"`
	Warning string     `json:"warning,omitempty"`
	Flags   []string   `json:"flags,omitempty"`
}

// MarshalJSON is the inverse of UnmarshalJSON.
func (a Answer) MarshalJSON() ([]byte, error) {
	j := answerJSON{a.Seq, a.ID.String(), nil, a.Again, a.Held, a.Warning, a.Flags}
	if !a.Visit.IsZero() {
		visit := a.Visit.String()
		j.Visit = &visit
	}
	return json.Marshal(j)
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (a *Answer) UnmarshalJSON(b []byte) error {
	var j answerJSON
	if err := json.Unmarshal(b, &j); err != nil {
		return err
	}
	id, err := events.ParseRecordID(j.ID)
	if err != nil {
		return err
	}
	var visit events.RecordID
	if j.Visit != nil {
		if visit, err = events.ParseRecordID(*j.Visit); err != nil {
			return err
		}
	}
	*a = Answer{j.Seq, id, visit, j.Again, j.Held, j.Warning, j.Flags}
	return nil
}
