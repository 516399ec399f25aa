package office

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"

	"ullage/events"
	"ullage/events/entry"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/projections/evidence"
	"ullage/syncd/store"
)

// tell tells in a row of the audit which of the pieces that its record names were erased, and flags a device's word
// that it has erased what nobody has ordered to be.
func (s shower) tell(row *audit.Row, r *events.Record) error {
	var pieces []events.Digest
	if len(s.orders.Orders) > 0 {
		pieces = events.EvidenceIn(r.Kind, r.V, r.Body)
	}
	for _, d := range pieces {
		order, ok := s.orders.Erased(d)
		if !ok {
			continue
		}
		ground, err := s.text(order.Ground)
		if err != nil {
			return err
		}
		row.Erased = append(row.Erased, audit.Erased{Evidence: d.String(), On: order.Done.Format(order.Zone), By: who(order.Origin), Ground: ground})
	}
	if r.Kind != "erasure.done" {
		return nil
	}
	if b, ok := projections.Read(r.Kind, r.V, r.Body).Body.(*events.ErasureDone); ok && slices.ContainsFunc(b.Evidence, s.notOrdered) {
		row.Flags = append(row.Flags, projections.NotOrdered)
	}
	return nil
}

func (s shower) notOrdered(d events.Digest) bool {
	_, ordered := s.orders.Erased(d)
	return !ordered
}

// erasure is an order to erase a piece, and how far it is.
type erasure struct {
	Evidence  string            `json:"evidence"`
	On        string            `json:"on"`
	By        string            `json:"by"`
	Ground    string            `json:"ground"`
	Record    string            `json:"record"`
	Confirmed []confirmed       `json:"confirmed"`
	Waiting   []events.DeviceID `json:"waiting"` // devices that have not confirmed it
}

type confirmed struct {
	Device events.DeviceID `json:"device"`
	On     string          `json:"on"`
}

func (s shower) order(o evidence.Order) (erasure, error) {
	ground, err := s.text(o.Ground)
	return erasure{
		Evidence: o.Evidence.String(), On: o.Done.Format(o.Zone), By: who(o.Origin), Ground: ground, Record: o.ID.String(),
		Confirmed: []confirmed{}, Waiting: []events.DeviceID{},
	}, err
}

// getErasures lists what was ordered to be erased, which devices have confirmed it, and which not yet.
func (s *Server) getErasures(r *http.Request, _ question) (any, error) {
	ctx := r.Context()
	if err := s.fresh(ctx); err != nil {
		return nil, err
	}
	show, err := s.shower(ctx)
	if err != nil {
		return nil, err
	}
	all, without, err := s.cfg.Store.Erasures(ctx)
	if err != nil {
		return nil, err
	}
	rows, notOrdered := []erasure{}, []string{}
	for _, e := range all {
		row, err := show.order(e.Order)
		if err != nil {
			return nil, err
		}
		has := map[events.DeviceID]bool{}
		for _, c := range e.Confirmed {
			has[c.Device] = true
			row.Confirmed = append(row.Confirmed, confirmed{c.Device, c.Done.Format(c.Zone)})
		}
		for _, d := range s.cfg.Devices() {
			if !has[d] {
				row.Waiting = append(row.Waiting, d)
			}
		}
		rows = append(rows, row)
	}
	for _, d := range without {
		notOrdered = append(notOrdered, d.String())
	}
	return map[string]any{"erasures": rows, "not_ordered": notOrdered}, nil
}

// held is a hold that stands.
type held struct {
	Evidence []string         `json:"evidence"` // the pieces; none where it is on what follows
	Visit    *string          `json:"visit"`
	Machine  events.MachineID `json:"machine"`
	Site     events.SiteID    `json:"site"`
	Why      string           `json:"why"`
	On       string           `json:"on"`
	By       string           `json:"by"`
	Record   string           `json:"record"`
}

// getHolds lists the holds that stand.
func (s *Server) getHolds(r *http.Request, _ question) (any, error) {
	ctx := r.Context()
	if err := s.fresh(ctx); err != nil {
		return nil, err
	}
	show, err := s.shower(ctx)
	if err != nil {
		return nil, err
	}
	rows := []held{}
	for _, h := range show.orders.Holds {
		why, err := show.text(h.Why)
		if err != nil {
			return nil, err
		}
		row := held{
			Evidence: []string{}, Machine: h.Scope.Machine, Site: h.Scope.Site, Why: why, On: h.Done.Format(h.Zone), By: who(h.Origin), Record: h.ID.String(),
		}
		for _, d := range h.Evidence {
			row.Evidence = append(row.Evidence, d.String())
		}
		if !h.Scope.Visit.IsZero() {
			visit := h.Scope.Visit.String()
			row.Visit = &visit
		}
		rows = append(rows, row)
	}
	return map[string]any{"holds": rows}, nil
}

// toErase is what a request wants to be erased.
type toErase struct {
	What   []string         `json:"what"` // digests of pieces, and ids of records, for all that these name
	Ground string           `json:"ground"`
	By     events.StaffCode `json:"by"`
}

func readErase(r *http.Request) (q toErase, err error) {
	b, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, maxQuestion))
	if err != nil {
		if large := (*http.MaxBytesError)(nil); !errors.As(err, &large) {
			err = bad("the request did not arrive whole: %w", err)
		}
		return q, err
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(&q); err != nil || len(q.What) == 0 || strings.TrimSpace(q.Ground) == "" {
		return q, bad(`the request is an object that says what is erased, on what ground, and who says so: {"what":["<digest of evidence, or id of a record>"],"ground":"asked for by letter of 2 March","by":"O1"}`)
	}
	return q, nil
}

// postErasure orders pieces to be erased, erases those that are here, and answers with the orders.
func (s *Server) postErasure(w http.ResponseWriter, r *http.Request) {
	q, err := readErase(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	answer, err := s.erase(r.Context(), q)
	var kept *NotReceivedError
	switch {
	case err == nil:
		s.reply(w, r, http.StatusOK, answer)
	case errors.As(err, &kept):
		s.cfg.Log.Error("office: "+r.Method+" "+r.URL.Path, "error", err)
		s.reply(w, r, http.StatusServiceUnavailable, map[string]any{"error": err.Error(), "kept": kept.Answers})
	default:
		s.fail(w, r, err)
	}
}

func (s *Server) erase(ctx context.Context, q toErase) (any, error) {
	if err := s.fresh(ctx); err != nil {
		return nil, err
	}
	pieces, err := s.digestsOf(ctx, q.What)
	if err != nil {
		return nil, err
	}
	show, err := s.shower(ctx)
	if err != nil {
		return nil, err
	}
	var names []string // of what was not ordered before
	for _, d := range pieces {
		if _, erased := show.orders.Erased(d); !erased {
			names = append(names, entry.FormatEvidence(d))
		}
	}
	if len(names) > events.MaxList {
		return nil, bad("these are %d pieces; one order has at most %d", len(names), events.MaxList)
	}
	if len(names) > 0 {
		order, err := json.Marshal(map[string]any{"kind": "erasure.done", "by": q.By, "body": map[string]any{"evidence": names, "ground": q.Ground}})
		if err != nil {
			return nil, err
		}
		_, err = s.cfg.Recorder.Record(ctx, bytes.NewReader(order))
		var line *entry.LineError
		var kept *NotReceivedError
		switch {
		case errors.As(err, &line) && strings.HasPrefix(line.Field, "body.evidence"):
			return nil, asked{http.StatusConflict, fmt.Errorf("%s: %s", line.Value, line.Want)}
		case errors.As(err, &line):
			return nil, asked{http.StatusUnprocessableEntity, fmt.Errorf("%s: %s: %s", line.Field, line.Value, line.Want)}
		case errors.As(err, &kept):
			return nil, err
		case err != nil:
			return nil, s.aloud(fmt.Errorf("it could not be recorded, and nothing is erased: %w", err))
		}
		if err := s.fresh(ctx); err != nil {
			return nil, err
		}
		if show, err = s.shower(ctx); err != nil {
			return nil, err
		}
	}
	if _, err := s.cfg.Erasures.Apply(ctx); err != nil {
		return nil, s.aloud(fmt.Errorf("it is ordered, and shown to nobody any more, but could not be erased here yet; the centre goes on trying: %w", err))
	}
	rows := []erasure{}
	for _, d := range pieces {
		order, ok := show.orders.Erased(d)
		if !ok {
			return nil, fmt.Errorf("the order to erase %s is received, and the read model does not have it", d)
		}
		row, err := show.order(order)
		if err != nil {
			return nil, err
		}
		rows = append(rows, row)
	}
	return map[string]any{"erased": rows}, nil
}

// aloud logs the centre's own trouble, and lets the asker know of it as well: whoever erases must.
func (s *Server) aloud(err error) error {
	s.cfg.Log.Error("office: erase", "error", err)
	return asked{http.StatusInternalServerError, err}
}

// digestsOf finds the pieces that are meant, each once: by their digests, and by the ids of records that name them, as
// those were written or as a correction has them.
func (s *Server) digestsOf(ctx context.Context, what []string) (all []events.Digest, err error) {
	seen := map[events.Digest]bool{}
	add := func(list []events.Digest) {
		for _, d := range list {
			if !seen[d] {
				seen[d] = true
				all = append(all, d)
			}
		}
	}
	for _, name := range what {
		if d, err := events.ParseHash(strings.TrimPrefix(name, "evidence:")); err == nil {
			add([]events.Digest{d})
			continue
		}
		id, err := events.ParseRecordID(name)
		if err != nil {
			return nil, bad("%q is neither the digest of a piece of evidence (64 hexadecimal digits) nor the id of a record", name)
		}
		list, err := s.piecesOf(ctx, id)
		if err != nil {
			return nil, err
		}
		add(list)
	}
	return all, nil
}

func (s *Server) piecesOf(ctx context.Context, id events.RecordID) ([]events.Digest, error) {
	raw, ok, err := s.cfg.Store.ByID(ctx, id)
	if err != nil {
		return nil, err
	}
	if !ok {
		return nil, asked{http.StatusNotFound, fmt.Errorf("record %s: %w", id, store.ErrNotThere)}
	}
	r, err := events.DecodeRecord(raw)
	if err != nil {
		return nil, err
	}
	found := events.EvidenceIn(r.Kind, r.V, r.Body)
	corrections, err := s.cfg.Store.Corrections(ctx, events.Target{Device: r.Device, Seq: r.Seq, Hash: events.HashRecord(raw)})
	if err != nil {
		return nil, err
	}
	for _, raw := range corrections {
		c, err := events.DecodeRecord(raw)
		if err != nil {
			return nil, err
		}
		found = append(found, events.EvidenceAmended(&c, r.Kind, r.V)...)
	}
	if len(found) == 0 {
		return nil, asked{http.StatusUnprocessableEntity, fmt.Errorf("record %s names no evidence; a short text stands in the record itself and cannot be erased", id)}
	}
	return found, nil
}
