package office

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"ullage/events"
	"ullage/events/entry"
	"ullage/projections"
	"ullage/projections/evidence"
	"ullage/syncd/store"
	"ullage/syncd/stream"
)

// Evidence is where the office's pieces of evidence are kept.
type Evidence interface {
	entry.Evidence
	// Has tells whether a piece is here, with its key.
	Has(events.Digest) (bool, error)
	// Erase makes sure that a piece cannot be read here again. It may be repeated.
	Erase(events.Digest) error
	// Erased tells whether that was done, wholly.
	Erased(events.Digest) (bool, error)
}

// ErasuresConfig is what Erasures work with. All of it must be set.
type ErasuresConfig struct {
	Store    *store.Store
	Source   stream.Stream
	Evidence Evidence
	Push     func(context.Context) error // brings to the stream what the office has written
	Log      *slog.Logger
}

// Erasures see to it that what is ordered to be erased may be, and is.
//
// An erasure is a record of the office, and so is a hold that forbids it. The office's writer takes one call at a time,
// and asks Judge about each line before it writes: with all that the office wrote before in the stream and in the read
// model, no hold can come between the question and the order.
//
// What is ordered is erased here when the read model learns of it, and again at every start: a backup that was put back
// brings no piece back.
type Erasures struct {
	cfg ErasuresConfig

	// Of one call of the office's writer, which calls Begin and Judge in turns.
	lines     []projections.Fact // orders and holds before the present line
	corrected []events.Target    // by lines before it

	mu   sync.Mutex // guards done
	done map[events.Digest]bool
}

// NewErasures makes them. Run makes them erase; Judge and Apply work without it.
func NewErasures(cfg ErasuresConfig) *Erasures {
	return &Erasures{cfg: cfg, done: map[events.Digest]bool{}}
}

// Begin is entry.Writer's.
func (e *Erasures) Begin() { e.lines, e.corrected = nil, nil }

// AlreadyErased is told of lines that order or forbid the erasure of what was ordered to be erased before, and
// NothingThere of a hold on a visit, a machine or a site of which there is no record.
const (
	AlreadyErased = "already-erased"
	NothingThere  = "nothing-there"
)

// Judge is entry.Writer's. It refuses the erasure of what is held, and holds and lifts that are about nothing.
func (e *Erasures) Judge(r *events.Record, body events.Body) (flags []string, err error) {
	switch b := body.(type) {
	case *events.RecordAmended:
		e.corrected = append(e.corrected, b.Target)
		return nil, nil
	case *events.RecordWithdrawn:
		e.corrected = append(e.corrected, b.Target)
		return nil, nil
	case *events.ErasureDone, *events.HoldPlaced, *events.HoldLifted:
	default:
		return nil, nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), pushTime)
	defer cancel()
	state, err := e.state(ctx)
	if err != nil {
		return nil, err
	}
	scope := evidence.ScopeOf(r.Visit, r.Machine, r.Site)
	var pieces []events.Digest
	switch b := body.(type) {
	case *events.ErasureDone:
		pieces = b.Evidence
		err = e.mayErase(ctx, state, pieces)
	case *events.HoldPlaced:
		pieces = b.Evidence
		flags, err = e.mayHold(ctx, scope, pieces)
	case *events.HoldLifted:
		err = mayLift(state, scope, b.Evidence)
	}
	if err != nil {
		return nil, err
	}
	if slices.ContainsFunc(pieces, func(d events.Digest) bool { _, erased := state.Erased(d); return erased }) {
		flags = append(flags, AlreadyErased)
	}
	e.lines = append(e.lines, projections.Fact{
		Arrival: &projections.Arrival{Record: *r, Office: true, Content: &projections.Content{Body: body}},
		Done:    r.Done, Zone: r.Zone, Site: r.Site, Machine: r.Machine, Visit: r.Visit, By: r.By, Body: body,
	})
	return flags, nil
}

// state is what was ordered and is held, by all that the office wrote before the present line.
func (e *Erasures) state(ctx context.Context) (*evidence.State, error) {
	if err := e.cfg.Push(ctx); err != nil {
		return nil, fmt.Errorf("whether a hold forbids this cannot be told before the office's earlier records are received: %w", err)
	}
	if err := Fresh(ctx, e.cfg.Source, e.cfg.Store); err != nil {
		return nil, err
	}
	state, err := e.cfg.Store.Evidence(ctx)
	if err != nil {
		return nil, err
	}
	return state.With(e.lines), nil
}

// mayErase refuses what a hold forbids.
func (e *Erasures) mayErase(ctx context.Context, state *evidence.State, pieces []events.Digest) error {
	if hold, err := e.holdCorrected(ctx); err != nil {
		return err
	} else if hold {
		return &events.FieldError{Path: "body.evidence", Want: "a line before this one corrects a hold, and may forbid this; give the erasure in a call of its own"}
	}
	for _, hold := range state.Holds {
		covers := func(d events.Digest) bool { return slices.Contains(hold.Evidence, d) }
		if len(hold.Evidence) == 0 {
			named, err := e.cfg.Store.Named(ctx, hold.Scope)
			if err != nil && !errors.Is(err, store.ErrNotThere) {
				return err
			}
			covers = func(d events.Digest) bool { return named[d] }
		}
		i := slices.IndexFunc(pieces, covers)
		if i < 0 {
			continue
		}
		return &events.FieldError{Path: fmt.Sprintf("body.evidence[%d]", i+1), Value: entry.FormatEvidence(pieces[i]), Want: refusal(hold)}
	}
	return nil
}

// holdCorrected tells whether a line of this call corrects a hold or a lift: what was written before, as the read model
// knows, or a line of this call, where it has any.
func (e *Erasures) holdCorrected(ctx context.Context) (bool, error) {
	for _, target := range e.corrected {
		a, err := e.cfg.Store.Record(ctx, target)
		switch {
		case errors.Is(err, store.ErrNotThere):
			if slices.ContainsFunc(e.lines, func(f projections.Fact) bool { return isHold(f.Record.Kind) }) {
				return true, nil
			}
		case err != nil:
			return false, err
		case isHold(a.Record.Kind):
			return true, nil
		}
	}
	return false, nil
}

func isHold(k events.Kind) bool { return k == "hold.placed" || k == "hold.lifted" }

// refusal says what forbids an erasure, and what would be right.
func refusal(h evidence.Hold) string {
	why := h.Why.Plain
	if !h.Why.Digest.IsZero() { // it is evidence, and not read out beside the access journal
		why = entry.FormatEvidence(h.Why.Digest)
	}
	about, lift := "it", "--evidence"
	switch {
	case len(h.Evidence) > 0:
	case !h.Scope.Visit.IsZero():
		lift = "--visit"
	case h.Scope.Machine != "":
		lift = "--machine"
	default:
		lift = "--site"
	}
	if len(h.Evidence) == 0 {
		about = "the evidence of " + h.Scope.String()
	}
	return fmt.Sprintf("%s is held since %s, by %s: %s; it is not erased until that hold is lifted (ullage hold lift %s)", about, h.Done.Format(h.Zone), who(h.Origin), why, lift)
}

// who names whoever wrote a record: a person where one is named, else the office's device.
func who(o evidence.Origin) string {
	if o.By != "" {
		return string(o.By)
	}
	return string(o.Device)
}

// mayHold refuses a hold on nothing.
func (e *Erasures) mayHold(ctx context.Context, scope evidence.Scope, pieces []events.Digest) ([]string, error) {
	if len(pieces) > 0 {
		return nil, nil
	}
	if scope.IsZero() {
		return nil, &events.FieldError{Path: "body.evidence", Want: "say what is held: pieces of evidence here, or the visit, machine or site of the line"}
	}
	if _, err := e.cfg.Store.Named(ctx, scope); errors.Is(err, store.ErrNotThere) {
		return []string{NothingThere}, nil // what comes will be held
	} else if err != nil {
		return nil, err
	}
	return nil, nil
}

// mayLift refuses to lift what is not held.
func mayLift(state *evidence.State, scope evidence.Scope, pieces []events.Digest) error {
	for i, d := range pieces {
		if _, held := state.On(d); !held {
			return &events.FieldError{Path: fmt.Sprintf("body.evidence[%d]", i+1), Value: entry.FormatEvidence(d), Want: "no hold names this piece; a hold on a visit, a machine or a site is lifted as a whole"}
		}
	}
	if _, held := state.OnScope(scope); len(pieces) == 0 && (scope.IsZero() || !held) {
		want := "say what is not held any more: pieces of evidence here, or the visit, machine or site of the line"
		if !scope.IsZero() {
			want = fmt.Sprintf("no hold stands on %s; see: ullage hold list", scope)
		}
		return &events.FieldError{Path: "body.evidence", Want: want}
	}
	return nil
}

// Apply erases here what was ordered to be, as far as the read model knows, and has not been found erased since the
// start. It returns how many pieces were here still.
func (e *Erasures) Apply(ctx context.Context) (here int, err error) {
	state, err := e.cfg.Store.Evidence(ctx)
	if err != nil {
		return 0, err
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, o := range state.Orders {
		if e.done[o.Evidence] {
			continue
		}
		had, eraseErr := e.erase(o.Evidence)
		if err = errors.Join(err, eraseErr); eraseErr != nil {
			continue
		}
		e.done[o.Evidence] = true
		if had {
			here++
			e.cfg.Log.Info("a piece of evidence is erased", "evidence", o.Evidence, "order", o.ID)
		}
	}
	return here, err
}

// erase erases one piece, and tells whether it was here.
func (e *Erasures) erase(d events.Digest) (had bool, err error) {
	if gone, err := e.cfg.Evidence.Erased(d); gone || err != nil {
		return false, err
	}
	had, err = e.cfg.Evidence.Has(d)
	// One that is damaged is erased like any other.
	if eraseErr := e.cfg.Evidence.Erase(d); eraseErr != nil {
		return false, eraseErr
	}
	return had || err != nil, nil
}

// Again erases what is here again, or still, though it was ordered to be erased: after a backup was put back, or a crash.
// That it cannot be done now is told, and keeps nobody waiting: Run goes on trying, and the office shows none of it.
func (e *Erasures) Again(ctx context.Context) {
	err := Fresh(ctx, e.cfg.Source, e.cfg.Store)
	here := 0
	if err == nil {
		here, err = e.Apply(ctx)
	}
	if here > 0 {
		e.cfg.Log.Warn("evidence that was ordered to be erased was here, as from a backup; it is erased again", "pieces", here)
	}
	if err != nil && ctx.Err() == nil {
		e.cfg.Log.Error("evidence that was ordered to be erased may be here still; it is not shown, and erased as soon as it can be", "error", err)
	}
}

// Run erases what is ordered, as the read model learns of it. It ends with ctx, and then returns nil.
func (e *Erasures) Run(ctx context.Context) error {
	const least, most = time.Second, time.Minute
	for wait := least; ; {
		at := e.cfg.Store.Place().Seq
		_, err := e.Apply(ctx)
		if err == nil {
			wait = least
			err = e.cfg.Store.Wait(ctx, at+1)
		}
		if ctx.Err() != nil {
			return nil
		}
		if err == nil {
			continue
		}
		e.cfg.Log.Error("evidence that was ordered to be erased may be here still; it is tried again", "error", err, "in", wait)
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return nil
		}
		wait = min(2*wait, most)
	}
}
