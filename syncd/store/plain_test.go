package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
	"ullage/events"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/projections/ledger"
	"ullage/projections/list"
	"ullage/projections/machine"
	"ullage/projections/waste"
)

// plain is the read model as one would write it without thinking of time: it holds everything, resolves everything at
// each question, and folds each machine from everything.
type plain struct{ arrivals []projections.Arrival }

func (m plain) input(id events.MachineID, b projections.Bounds) projections.Input {
	h := projections.Resolve(m.arrivals, b)
	return projections.Input{Machine: id, History: h, Vessels: h, Register: projections.NewRegister(h), Bounds: b}
}

// results are the settled results of machines, by machine and projection.
func (m plain) results(ids []events.MachineID) map[events.MachineID][][]projections.Result {
	in := m.input("", projections.Now)
	all := map[events.MachineID][][]projections.Result{}
	for _, in.Machine = range ids {
		for _, p := range list.All {
			var results []projections.Result
			if p.Results != nil {
				results = p.Results(in)
			}
			all[in.Machine] = append(all[in.Machine], results)
		}
	}
	return all
}

// restated are the restatements at machines, in ascending order, of messages that come one by one.
func restated(messages []sent, ids []events.MachineID) (all []Restatement) {
	before := plain{}.results(ids)
	for n, m := range messages {
		after := plain{arrivals(messages[:n+1])}.results(ids)
		for _, id := range ids {
			for i, p := range list.All {
				for _, r := range projections.Restate(p.Name, id, m.place.Hash, before[id][i], after[id][i]) {
					all = append(all, Restatement{ID: r.ID, Machine: id, Projection: p.Name, What: r.What, Old: r.Old, New: r.New, CausedBy: r.CausedBy})
				}
			}
		}
		before = after
	}
	return all
}

// asker answers what people ask. What is not there is an empty history.
type asker struct {
	machine func(events.MachineID, projections.Bounds) (projections.Input, error)
	audit   func(audit.Query, projections.Bounds) (projections.History, *projections.Register, error)
	vessels func(projections.Bounds) (projections.History, *projections.Register, error)
}

func (m plain) asker() asker {
	all := func(b projections.Bounds) (projections.History, *projections.Register, error) {
		h := projections.Resolve(m.arrivals, b)
		return h, projections.NewRegister(h), nil
	}
	return asker{
		machine: func(id events.MachineID, b projections.Bounds) (projections.Input, error) { return m.input(id, b), nil },
		audit: func(_ audit.Query, b projections.Bounds) (projections.History, *projections.Register, error) {
			return all(b)
		},
		vessels: all,
	}
}

func (s *Store) asker(ctx context.Context) asker {
	return asker{
		machine: func(id events.MachineID, b projections.Bounds) (projections.Input, error) {
			in, err := s.Machine(ctx, id, b)
			if errors.Is(err, ErrNotThere) {
				in, err = projections.Input{Machine: id, Bounds: b}, nil
			}
			return in, err
		},
		audit: func(q audit.Query, b projections.Bounds) (projections.History, *projections.Register, error) {
			h, reg, err := s.Audit(ctx, q, b)
			if errors.Is(err, ErrNotThere) {
				err = nil
			}
			return h, reg, err
		},
		vessels: func(b projections.Bounds) (projections.History, *projections.Register, error) {
			h, err := s.Vessels(ctx, b)
			if err != nil {
				return h, nil, err
			}
			reg, err := s.Register(ctx, b)
			return h, reg, err
		},
	}
}

func show(r *events.Record) json.RawMessage { return json.RawMessage(fmt.Sprintf(`"%x"`, r.Body)) }

// answers is everything that can be asked, as text.
func (a asker) answers(b projections.Bounds) string {
	var out strings.Builder
	put := func(what any, x any, err error) {
		text, e := json.Marshal(x)
		if err != nil || e != nil {
			text = []byte(fmt.Sprint(err, e))
		}
		fmt.Fprintf(&out, "%+v: %s\n", what, text)
	}
	for _, id := range washers {
		in, err := a.machine(id, b)
		put(id, machine.Fold(in), err)
		put(id, ledger.Fold(in), err)
	}
	queries := []audit.Query{{}}
	for _, id := range washers {
		queries = append(queries, audit.Query{Machine: id})
	}
	for n := range visits {
		queries = append(queries, audit.Query{Visit: visit(n + 1)}, audit.Query{Visit: visit(n + 1), Machine: washers[0]})
	}
	for _, site := range yards {
		queries = append(queries, audit.Query{Site: site})
	}
	for _, device := range []events.DeviceID{"tab-1", "tab-2", "office-1"} {
		queries = append(queries, audit.Query{Device: device})
	}
	for _, q := range queries {
		h, reg, err := a.audit(q, b)
		put(q, audit.Rows(h, q, reg, nil, show), err)
	}
	h, reg, err := a.vessels(b)
	put("waste", waste.Fold(h, reg, time.LoadLocation), err)
	return out.String()
}
