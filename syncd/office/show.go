package office

import (
	"context"
	"encoding/json"
	"errors"

	"ullage/events"
	"ullage/events/entry"
	"ullage/projections/evidence"
	"ullage/syncd/store"
)

// shower shows what records point at, as far as the centre holds it.
type shower struct {
	ctx    context.Context
	store  *store.Store
	pieces pieces
	orders *evidence.State
}

// shower makes one. What was ordered to be erased until now, it does not show, be the piece still here or here again.
// The caller has waited for the read model.
func (s *Server) shower(ctx context.Context) (shower, error) {
	orders, err := s.cfg.Store.Evidence(ctx)
	return shower{ctx, s.cfg.Store, s.pieces, orders}, err
}

func (s shower) Text(d events.Digest) ([]byte, bool, error) {
	if !s.notOrdered(d) {
		return nil, false, nil
	}
	return s.pieces.text(s.ctx, d)
}

// text is a short text, or the longer one that it stands for, or what names that.
func (s shower) text(t events.Text) (string, error) {
	if t.Digest.IsZero() {
		return t.Plain, nil
	}
	plain, ok, err := s.Text(t.Digest)
	if !ok {
		return entry.FormatEvidence(t.Digest), err
	}
	return string(plain), err
}

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
