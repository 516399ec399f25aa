package agent

import (
	"ullage/events"
	"ullage/events/pack"
)

// digestsOf lists the pieces of evidence that a record names, as far as its kind is known here. Those inside the body
// that an amendment gives are not among them: the amended record's kind would have to be looked up.
func digestsOf(r *events.Record) []events.Digest {
	s, ok := events.SchemaOf(r.Kind, r.V)
	if !ok || s.CheckForm(r.Body) != nil {
		return nil
	}
	var found []events.Digest
	walk(s, pack.NewReader(r.Body), &found)
	return found
}

// walk reads one map, whose form has been checked.
func walk(s *events.Schema, in *pack.Reader, found *[]events.Digest) {
	for n := in.Map(len(s.Fields)); n > 0 && in.Err() == nil; n-- {
		f := fieldNamed(s, in.String())
		times := 1
		if f.List {
			times = in.Array(events.MaxList)
		}
		for range times {
			switch {
			case f.Type == events.TypeObject:
				walk(f.Of, in, found)
			case (f.Type == events.TypeDigest && !f.Bare || f.Type == events.TypeText) && in.Next() == pack.Bin:
				*found = append(*found, events.Digest(in.Bin()))
			default:
				in.Skip(events.MaxDepth)
			}
		}
	}
}

func fieldNamed(s *events.Schema, name string) *events.Field {
	for i := range s.Fields {
		if s.Fields[i].Name == name {
			return &s.Fields[i]
		}
	}
	panic("agent.fieldNamed: a checked body has the field " + name)
}
