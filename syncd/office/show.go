package office

import (
	"context"
	"encoding/json"
	"errors"

	"ullage/events"
	"ullage/events/entry"
	"ullage/syncd/store"
)

// shower shows what records point at, as far as the centre holds it.
type shower struct {
	ctx    context.Context
	store  *store.Store
	pieces pieces
}

func (s shower) Text(d events.Digest) ([]byte, bool, error) { return s.pieces.text(s.ctx, d) }

func (s shower) ID(t events.Target) (entry.Named, bool, error) {
	a, err := s.store.Record(s.ctx, t)
	switch {
	case errors.Is(err, store.ErrNotThere):
		return entry.Named{}, false, nil
	case err != nil:
		return entry.Named{}, false, err
	}
	return entry.Named{ID: a.Record.ID, Kind: a.Record.Kind, V: a.Record.V}, true, nil
}

func (s shower) body(r *events.Record) (json.RawMessage, error) {
	body, err := entry.BodyJSON(r, s)
	if err != nil {
		return json.RawMessage("null"), err
	}
	return body, nil
}
