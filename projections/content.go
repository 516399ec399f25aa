package projections

import (
	"errors"

	"ullage/events"
)

// Content is the body of a record, as read once.
type Content struct {
	Body  events.Body // nil where the kind is unknown or the body does not decode
	Flags []Flag      // UnknownKind or OddMeaning
}

// Read decodes a body and judges what it means. It is total: what cannot be read is flagged.
func Read(kind events.Kind, v int, body []byte) Content {
	b, err := events.DecodeBody(kind, v, body)
	switch {
	case errors.Is(err, events.ErrUnknownKind):
		return Content{Flags: []Flag{UnknownKind}}
	case err != nil:
		return Content{Flags: []Flag{OddMeaning}}
	case events.Check(b) != nil:
		return Content{b, []Flag{OddMeaning}}
	}
	return Content{Body: b}
}

// content is what the reader brought along, or else what the bytes say.
func (a *Arrival) content() Content {
	if a.Content != nil {
		return *a.Content
	}
	return Read(a.Record.Kind, a.Record.V, a.Record.Body)
}
