package events

import "ullage/events/pack"

// EvidenceIn lists the pieces of evidence that a body of that kind and version names, in the order of its fields, as far
// as the kind is known here and the body has its form. Those inside the body that an amendment gives are not among them:
// that is a body of the amended record's kind, which its Target alone tells.
func EvidenceIn(kind Kind, v int, body []byte) []Digest {
	s, ok := SchemaOf(kind, v)
	if !ok || s.CheckForm(body) != nil {
		return nil
	}
	return s.appendEvidence(nil, pack.NewReader(body))
}

// appendEvidence reads one map, whose form has been checked.
func (s *Schema) appendEvidence(found []Digest, in *pack.Reader) []Digest {
	for n := in.Map(len(s.Fields)); n > 0 && in.Err() == nil; n-- {
		f := s.named(in.String())
		times := 1
		if f.List {
			times = in.Array(MaxList)
		}
		for range times {
			switch {
			case f.Type == TypeObject:
				found = f.Of.appendEvidence(found, in)
			case (f.Type == TypeDigest && !f.Bare || f.Type == TypeText) && in.Next() == pack.Bin:
				found = append(found, Digest(in.Bin()))
			default:
				in.Skip(MaxDepth)
			}
		}
	}
	return found
}

// named is the field of a name that a checked body has.
func (s *Schema) named(name string) *Field {
	for i := range s.Fields {
		if s.Fields[i].Name == name {
			return &s.Fields[i]
		}
	}
	panic("events.named: a checked body has the field " + name)
}

// EvidenceAmended lists the pieces of evidence in the body that an amendment gives to a record of that kind and version.
func EvidenceAmended(amendment *Record, kind Kind, v int) []Digest {
	s, ok := SchemaOf(amendment.Kind, amendment.V)
	if !ok || amendment.Kind != KindAmended || s.CheckForm(amendment.Body) != nil {
		return nil
	}
	in := pack.NewReader(amendment.Body)
	for n := in.Map(len(s.Fields)); n > 0 && in.Err() == nil; n-- {
		if in.String() == "body" {
			return EvidenceIn(kind, v, in.Skip(MaxDepth))
		}
		in.Skip(MaxDepth)
	}
	return nil
}
