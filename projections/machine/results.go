package machine

import (
	"encoding/json"

	"ullage/events"
	"ullage/projections"
)

// Results are what somebody may have acted on, by visit:
//
//	found/<visit>/<quantity>   what was read on arrival; volume_l for a volume or a level in litres
//	left/<visit>/<quantity>    what was read at departure
//	part/<visit>/<position>    what was put in
//	fault/<record>             what was found wrong
//
// A quantity that is not of the bath has @ and what it is of behind it. Readings in between are no results: they are
// taken to be changed.
func Results(in projections.Input) []projections.Result {
	var all []projections.Result
	add := func(what string, value any) {
		text, err := json.Marshal(value)
		if err != nil {
			panic("machine.Results: " + err.Error()) // numbers of a record are finite
		}
		all = append(all, projections.Result{What: what, Value: string(text)})
	}
	for i := range in.History.Facts {
		fact := &in.History.Facts[i]
		if fact.Machine != in.Machine {
			continue
		}
		if b, ok := fact.Body.(*events.FaultFound); ok {
			add("fault/"+fact.Record.ID.String(), foundFault{b.Fault, b.Grade, b.Position})
		}
		if fact.Visit.IsZero() {
			continue
		}
		at := fact.Visit.String() + "/"
		switch b := fact.Body.(type) {
		case *events.ReadingTaken:
			moment, ok := moments[b.Moment]
			if !ok || b.Value == nil || b.NotRead != nil && *b.NotRead {
				continue
			}
			if tank, v, ok := in.Register.Volume(fact); ok {
				add(moment+at+name(in, fact, "volume_l", tank), projections.MeasuredOf(v))
				continue
			}
			u, _ := events.QuantityUnit(b.Quantity, b.Unit)
			add(moment+at+name(in, fact, string(b.Quantity), b.Of), read{*b.Value, u.Code, b.Limit})
		case *events.PartSwapped:
			var part fitted
			if b.In != nil {
				part = fitted{b.In.Part, b.In.Serial}
			}
			add("part/"+at+string(b.Position), part)
		}
	}
	return projections.SortResults(all)
}

var moments = map[events.Word]string{"arrival": "found/", "departure": "left/"}

type read struct {
	Value float64     `json:"value"`
	Unit  string      `json:"unit"`
	Limit events.Word `json:"limit,omitempty"`
}

type fitted struct {
	Part   events.Code `json:"part"` // empty where something was taken out and nothing put in
	Serial string      `json:"serial,omitempty"`
}

type foundFault struct {
	Fault    string      `json:"fault"`
	Grade    *int64      `json:"grade"`
	Position events.Code `json:"position,omitempty"`
}
