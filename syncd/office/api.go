package office

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"time"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/projections/due"
	"ullage/projections/ledger"
	"ullage/projections/machine"
	"ullage/projections/waste"
)

// bounds reads as-of and known-at.
func (q question) bounds() (projections.Bounds, error) {
	b := projections.Now
	for _, to := range []struct {
		name string
		at   *events.Millis
	}{{"as-of", &b.AsOf}, {"known-at", &b.KnownAt}} {
		if q[to.name] == "" {
			continue
		}
		at, err := parseBound(q[to.name])
		if err != nil {
			return b, bad("%s: %w", to.name, err)
		}
		*to.at = at
	}
	return b, nil
}

// parseBound reads a time in RFC 3339 with zone, or a date, which means the end of that day in UTC.
func parseBound(s string) (events.Millis, error) {
	at, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		if at, err = time.Parse(time.DateOnly, s); err != nil {
			return 0, fmt.Errorf("%q is neither a time with zone (2026-03-02T09:05:00+01:00) nor a date (2026-03-02)", s)
		}
		at = at.AddDate(0, 0, 1).Add(-time.Millisecond)
	}
	bound := events.MillisOf(at)
	if bound < events.MinMillis || bound > events.MaxMillis {
		return 0, fmt.Errorf("%q is not in the years 1 to 9999", s)
	}
	return bound, nil
}

// inputs gathers what the folds of the machine that a question names need, or of all machines, and says which.
func (s *Server) inputs(ctx context.Context, q question) (all []projections.Input, one bool, err error) {
	b, err := q.bounds()
	if err != nil {
		return nil, false, err
	}
	if err := s.fresh(ctx); err != nil {
		return nil, false, err
	}
	ids, one := []events.MachineID{events.MachineID(q["machine"])}, q["machine"] != ""
	if !one {
		if ids, err = s.cfg.Store.Machines(ctx); err != nil {
			return nil, false, err
		}
	}
	site := events.SiteID(q["site"])
	for _, id := range ids {
		in, err := s.cfg.Store.Machine(ctx, id, b)
		if err != nil {
			return nil, false, err
		}
		if site == "" || machine.Fold(in).Site == site {
			all = append(all, in)
		}
	}
	if len(all) > 0 || site == "" {
		return all, one, nil
	}
	if one {
		return nil, false, asked{http.StatusNotFound, fmt.Errorf("machine %s does not stand at site %s", q["machine"], site)}
	}
	return nil, false, s.knowsSite(ctx, site)
}

// knowsSite tells a site at which there is nothing from one of which there is no record; that one is an error.
func (s *Server) knowsSite(ctx context.Context, site events.SiteID) error {
	_, _, err := s.cfg.Store.Audit(ctx, audit.Query{Site: site}, projections.Now)
	return err
}

// ofMachines answers a question about one machine, or about all under a name.
func ofMachines[T any](s *Server, r *http.Request, q question, name string, fold func(projections.Input) (T, error)) (any, error) {
	all, one, err := s.inputs(r.Context(), q)
	if err != nil {
		return nil, err
	}
	answers := []T{}
	for _, in := range all {
		a, err := fold(in)
		if err != nil {
			return nil, err
		}
		answers = append(answers, a)
	}
	if one {
		return answers[0], nil
	}
	return map[string]any{name: answers}, nil
}

func (s *Server) getMachine(r *http.Request, q question) (any, error) {
	return ofMachines(s, r, q, "machines", func(in projections.Input) (machine.State, error) {
		show, err := s.shower(r.Context())
		if err != nil {
			return machine.State{}, err
		}
		return show.state(in)
	})
}

// state is what stands at a machine, with the texts of its faults that are held here.
func (s shower) state(in projections.Input) (machine.State, error) {
	state := machine.Fold(in)
	for i := range state.OpenFaults {
		f := &state.OpenFaults[i]
		if f.Evidence.IsZero() {
			continue
		}
		text, ok, err := s.Text(f.Evidence)
		if err != nil {
			return state, err
		}
		if ok {
			f.Text = string(text)
		}
	}
	return state, nil
}

func (s *Server) getLedger(r *http.Request, q question) (any, error) {
	return ofMachines(s, r, q, "ledgers", func(in projections.Input) (ledger.Ledger, error) { return ledger.Fold(in), nil })
}

func (s *Server) getDue(r *http.Request, q question) (any, error) {
	all, _, err := s.inputs(r.Context(), q)
	if err != nil {
		return nil, err
	}
	b, err := q.bounds()
	if err != nil {
		return nil, err
	}
	reg, err := s.cfg.Store.Register(r.Context(), b)
	if err != nil {
		return nil, err
	}
	machines := []due.Machine{}
	for _, in := range all {
		machines = append(machines, due.Fold(in, reg, time.LoadLocation))
	}
	return map[string]any{"machines": machines}, nil
}

func (s *Server) getWaste(r *http.Request, q question) (any, error) {
	ctx := r.Context()
	b, err := q.bounds()
	if err != nil {
		return nil, err
	}
	if err := s.fresh(ctx); err != nil {
		return nil, err
	}
	vessels, err := s.cfg.Store.Vessels(ctx, b)
	if err != nil {
		return nil, err
	}
	reg, err := s.cfg.Store.Register(ctx, b)
	if err != nil {
		return nil, err
	}
	months := waste.Fold(vessels, reg, time.LoadLocation)
	if site := events.SiteID(q["site"]); site != "" {
		months = slices.DeleteFunc(months, func(m waste.Month) bool { return m.Site != site })
		if len(months) == 0 {
			if err := s.knowsSite(ctx, site); err != nil {
				return nil, err
			}
		}
	}
	return map[string]any{"sites": months}, nil
}

// restatement is an earlier result that a later message changed.
type restatement struct {
	ID         string           `json:"id"`
	Machine    events.MachineID `json:"machine"`
	Projection string           `json:"projection"`
	What       string           `json:"what"`
	Old        json.RawMessage  `json:"old"`
	New        json.RawMessage  `json:"new"` // null where the result vanished
	CausedBy   string           `json:"caused_by"`
}

func (s *Server) getRestatements(r *http.Request, q question) (any, error) {
	ctx := r.Context()
	if err := s.fresh(ctx); err != nil {
		return nil, err
	}
	id := events.MachineID(q["machine"])
	if id != "" {
		if _, err := s.cfg.Store.Machine(ctx, id, projections.Now); err != nil {
			return nil, err
		}
	}
	all, err := s.cfg.Store.Restatements(ctx, id)
	if err != nil {
		return nil, err
	}
	rows := []restatement{}
	for _, x := range all {
		row := restatement{x.ID.String(), x.Machine, x.Projection, x.What, json.RawMessage(x.Old), nil, x.CausedBy.String()}
		if x.New != "" {
			row.New = json.RawMessage(x.New)
		}
		rows = append(rows, row)
	}
	return map[string]any{"restatements": rows}, nil
}

func (s *Server) getAudit(r *http.Request, q question) (any, error) {
	b, err := q.bounds()
	if err != nil {
		return nil, err
	}
	ask := audit.Query{Machine: events.MachineID(q["machine"]), Site: events.SiteID(q["site"]), Device: events.DeviceID(q["device"])}
	if v := q["visit"]; v != "" {
		if ask.Visit, err = events.ParseRecordID(v); err != nil {
			return nil, bad("visit: %q is no UUID of a visit, such as an answer to a record gives", v)
		}
	}
	return s.audit(r.Context(), ask, b)
}

func (s *Server) audit(ctx context.Context, ask audit.Query, b projections.Bounds) (audit.List, error) {
	if err := Fresh(ctx, s.cfg.Source, s.cfg.Store, unlessStopped{s.cfg.Public, s.cfg.Log}); err != nil {
		return audit.List{}, err
	}
	h, reg, err := s.cfg.Store.Audit(ctx, ask, b)
	if err != nil {
		return audit.List{}, err
	}
	said, err := s.cfg.Store.Witness(ctx, s.cfg.Public, h.All)
	if err != nil {
		return audit.List{}, err
	}
	show, err := s.shower(ctx)
	if err != nil {
		return audit.List{}, err
	}
	var failed error
	shown := map[string]*events.Record{} // by their ids
	list := audit.Rows(h, ask, reg, said, func(r *events.Record) json.RawMessage {
		shown[r.ID.String()] = r
		body, err := show.body(r)
		failed = errors.Join(failed, err)
		return body
	})
	for i := range list.Records {
		row := &list.Records[i]
		failed = errors.Join(failed, show.tell(row, shown[row.ID]))
	}
	return list, failed
}
