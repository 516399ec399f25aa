package office

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"net/http"
	"strconv"

	"ullage/events"
	"ullage/events/entry"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/syncd/store"
)

// shower shows what records point at, as far as the centre holds it.
type shower struct {
	ctx      context.Context
	store    *store.Store
	evidence entry.Evidence
}

func (s shower) Text(d events.Digest) ([]byte, bool, error) { return s.evidence.Text(d) }

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

func question(r *http.Request) (audit.Query, projections.Bounds, error) {
	q := r.URL.Query()
	b, err := bounds(q)
	if err != nil {
		return audit.Query{}, b, err
	}
	ask := audit.Query{Machine: events.MachineID(q.Get("machine")), Site: events.SiteID(q.Get("site")), Device: events.DeviceID(q.Get("device"))}
	if v := q.Get("visit"); v != "" {
		if ask.Visit, err = events.ParseRecordID(v); err != nil {
			return ask, b, bad("visit: %w", err)
		}
	}
	return ask, b, nil
}

func (s *Server) getAudit(r *http.Request) (any, error) {
	ask, b, err := question(r)
	if err != nil {
		return nil, err
	}
	return s.audit(r.Context(), ask, b)
}

func (s *Server) audit(ctx context.Context, ask audit.Query, b projections.Bounds) (audit.List, error) {
	if err := s.fresh(ctx); err != nil {
		return audit.List{}, err
	}
	h, reg, err := s.cfg.Store.Audit(ctx, ask, b)
	if err != nil {
		return audit.List{}, err
	}
	var failed error
	list := audit.Rows(h, ask, reg, func(r *events.Record) json.RawMessage {
		body, err := entry.BodyJSON(r, shower{ctx, s.cfg.Store, s.cfg.Evidence})
		if err != nil {
			failed = err
			return json.RawMessage("null")
		}
		return body
	})
	return list, failed
}

// getExport writes every record, in the order of arrival, as entry lines or as a table.
func (s *Server) getExport(w http.ResponseWriter, r *http.Request) {
	format := r.URL.Query().Get("format")
	if format == "" {
		format = "ndjson"
	}
	if format != "ndjson" && format != "csv" {
		s.fail(w, r, bad("format: %q is neither ndjson nor csv", format))
		return
	}
	ctx := r.Context()
	if err := s.fresh(ctx); err != nil {
		s.fail(w, r, err)
		return
	}
	out := bufio.NewWriterSize(w, 64<<10)
	show := shower{ctx, s.cfg.Store, s.cfg.Evidence}
	write := func(a *projections.Arrival) error {
		line, err := entry.Line(&a.Record, show)
		if err != nil {
			return err
		}
		_, err = out.Write(append(line, '\n'))
		return err
	}
	w.Header().Set("Content-Type", "application/x-ndjson")
	if format == "csv" {
		w.Header().Set("Content-Type", "text/csv; charset=utf-8")
		table := csv.NewWriter(out)
		defer table.Flush()
		if err := table.Write([]string{"id", "device", "seq", "kind", "v", "done", "written", "received", "site", "machine", "visit", "by", "held", "body"}); err != nil {
			s.fail(w, r, err)
			return
		}
		write = func(a *projections.Arrival) error {
			body, err := entry.BodyJSON(&a.Record, show)
			if err != nil {
				return err
			}
			x, visit := &a.Record, ""
			if !x.Visit.IsZero() {
				visit = x.Visit.String()
			}
			err = table.Write([]string{
				x.ID.String(), string(x.Device), strconv.FormatUint(uint64(x.Seq), 10), string(x.Kind), strconv.Itoa(x.V), x.Done.Format(x.Zone),
				x.Clock.At().Format(x.Zone), a.Received.Format(x.Zone), string(x.Site), string(x.Machine), visit, string(x.By), a.Held, string(body),
			})
			table.Flush()
			return errors.Join(err, table.Error())
		}
	}
	err := s.cfg.Store.Each(ctx, write)
	if err == nil {
		err = out.Flush()
	}
	if err != nil {
		// The status is out: cutting the connection is the only way to say that the rest is missing.
		s.cfg.Log.Error("office: export", "error", err)
		panic(http.ErrAbortHandler)
	}
}
