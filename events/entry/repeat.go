package entry

import (
	"fmt"
	"maps"
	"strconv"

	"ullage/events"
)

// repeated tells whether a line's key was used before, and answers the line if its content is the same.
func (s *Session) repeated(e *envelope, enc *encoder, bind map[string]events.RecordID) (bool, error) {
	p := pending{again: true, held: s.held(enc.target)}
	m := matcher{visit: func(label string, id events.RecordID) bool { return s.matches(visit{label: label}, id, bind) }}
	var first *events.Record
	var body []byte
	var who string
	if p.item = s.keys[e.key]; p.item != nil {
		first, body = &p.item.record, p.item.body.fill(true, nil)
		who = "line " + strconv.Itoa(p.item.line)
		m.draft = true
		m.text = func(d events.Digest, plain string) (bool, error) {
			h := hole{text: plain}
			return string(d[:]) == string(h.draftDigest()), nil
		}
	} else {
		raw, ok, err := s.w.Lookup.ByKey(e.key)
		if err != nil {
			return false, fmt.Errorf("look up key %q: %w", e.key, err)
		}
		if !ok {
			return false, nil
		}
		r, err := events.DecodeRecord(raw)
		if err != nil {
			return false, fmt.Errorf("look up key %q: %w", e.key, err)
		}
		first, body, p.first = &r, r.Body, &r
		who = "record " + r.ID.String() + ", number " + strconv.FormatUint(uint64(r.Seq), 10) + ","
		m.text = func(d events.Digest, plain string) (bool, error) { return s.w.Evidence.Same(d, []byte(plain)) }
	}
	field, err := s.differs(e, &enc.t, first, body, m, bind)
	if err != nil {
		return false, fmt.Errorf("compare with %s: %w", who, err)
	}
	if field != "" {
		return false, bad("key", quote(e.key), "%s has this key with another content: %s differs; a new fact needs a key of its own", who, field)
	}
	s.answers = append(s.answers, p)
	maps.Copy(s.labels, bind)
	s.follow(e.old, origin{item: p.item, id: first.ID})
	return true, nil
}

// differs names the first field in which a line, as it is given, differs from a record; none is "".
func (s *Session) differs(e *envelope, t *template, r *events.Record, body []byte, m matcher, bind map[string]events.RecordID) (string, error) {
	switch {
	case e.kind != r.Kind:
		return "kind", nil
	case e.done != nil && (e.done.at != r.Done || e.done.zone != r.Zone):
		return "done", nil
	case e.site != r.Site:
		return "site", nil
	case e.machine != r.Machine:
		return "machine", nil
	case !s.matches(e.visit, r.Visit, bind):
		return "visit", nil
	case e.by != r.By:
		return "by", nil
	}
	if same, err := t.match(body, m); !same {
		return "body", err
	}
	return "", nil
}

// matches tells whether a line's visit is that of a record; a label that is not bound yet is bound to it.
func (s *Session) matches(v visit, id events.RecordID, bind map[string]events.RecordID) bool {
	if v.label == "" {
		return v.id == id
	}
	known, ok := s.label(v.label, bind)
	if !ok && !id.IsZero() {
		bind[v.label] = id
		return true
	}
	return ok && known == id
}
