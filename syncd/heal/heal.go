// Package heal takes stock of RECORDS, and brings back what it has lost.
//
// A broker is not the only holder of anything: the public log knows of each record that it was there, read models that were
// set aside have messages as they were, and devices keep their records for long after they were received. What those know of
// and RECORDS does not have is missing. It is raised as an alarm, with its exact range; stored again from a model that was
// set aside, or asked for from its device; and the alarm is closed when it is there. What nobody brings stays missing, and the
// alarm open. Branches of a device that has forked, which bear numbers that others bear too, are stored again from models that
// were set aside; and their devices look at each call whether the centre has them.
package heal

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/gate"
	"ullage/syncd/store"
)

// Config is what a Healer works with. All of it must be set.
type Config struct {
	Store   Store
	Logged  func() map[events.DeviceID]wire.Ranges // what the public log has
	Fresh   func(context.Context) error            // returns when the read model has what RECORDS holds now
	Restore func(context.Context, store.Kept) error
	Scrub   func(context.Context) error // reads all of RECORDS, and lets the read model go that has what it does not give

	// Lost hears of ranges of a device that are missing, each time that they are looked at; Found of those that are there again;
	// Looked, at the end of each look, of all that is missing still.
	Lost   func(events.DeviceID, wire.Ranges)
	Found  func(ctx context.Context, device events.DeviceID, there wire.Ranges, by Source) error
	Looked func(missing map[events.DeviceID]wire.Ranges) error

	Every  time.Duration // between two looks
	Rarely time.Duration // between two times that all is read
	Log    *slog.Logger
}

// Source is where something came back from.
type Source string

// The sources, in the words of range.healed.
const (
	ReadModel Source = "read-model"
	Device    Source = "device"
)

// Store is the read model as a Healer needs it.
type Store interface {
	Stock(context.Context) (all, branches map[events.DeviceID]wire.Ranges, err error)
	KeptStock(context.Context) (map[events.DeviceID]wire.Ranges, error)
	Kept(context.Context, events.DeviceID, wire.Range) ([]store.Kept, error)
	KeptBranches(context.Context) ([]store.Kept, error)
}

// Healer knows what is missing. Its methods may be called at the same time.
type Healer struct {
	cfg  Config
	look chan struct{}

	mu      sync.Mutex
	missing map[events.DeviceID]wire.Ranges // as of the last look, without what came since
	looked  time.Time                       // when that was; zero before the first
	told    map[events.DeviceID]wire.Ranges // that Lost has heard of, and Found has not
}

// New makes a healer that has not looked yet.
func New(cfg Config) *Healer {
	return &Healer{cfg: cfg, look: make(chan struct{}, 1), missing: map[events.DeviceID]wire.Ranges{}, told: map[events.DeviceID]wire.Ranges{}}
}

// Want lists what a device is asked to send again.
func (h *Healer) Want(device events.DeviceID) []wire.Range {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.missing[device])
}

// Missing is all that is missing, and when that was looked at; a zero time before the first look.
func (h *Healer) Missing() (map[events.DeviceID]wire.Ranges, time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	all := map[events.DeviceID]wire.Ranges{}
	for device, ranges := range h.missing {
		all[device] = slices.Clone(ranges)
	}
	return all, h.looked
}

// Healed hears that a range of a device is there again.
func (h *Healer) Healed(device events.DeviceID, r wire.Range) {
	h.mu.Lock()
	if rest := h.missing[device].Without(wire.Ranges{r}); len(rest) > 0 {
		h.missing[device] = rest
	} else {
		delete(h.missing, device)
	}
	h.mu.Unlock()
	select {
	case h.look <- struct{}{}: // the alarm need not stay open until the next look
	default:
	}
}

// soon is when Run looks again where other ranges are missing than before: the model that has them may not be set aside yet.
const soon = 2 * time.Second

// Run looks at once, when something was healed, and on a schedule, until ctx ends; then it returns nil.
func (h *Healer) Run(ctx context.Context) error {
	timer := time.NewTimer(0)
	defer timer.Stop()
	var scrubbed time.Time
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		case <-h.look:
		}
		if time.Since(scrubbed) >= h.cfg.Rarely {
			if err := h.cfg.Scrub(ctx); err != nil && ctx.Err() == nil {
				h.cfg.Log.Error("RECORDS could not be read through; it is tried again", "error", err)
			} else {
				scrubbed = time.Now()
			}
		}
		before, _ := h.Missing()
		if err := h.Look(ctx); err != nil && ctx.Err() == nil {
			h.cfg.Log.Error("what RECORDS has could not be looked at; it is tried again", "error", err)
		}
		again := h.cfg.Every
		if after, _ := h.Missing(); len(after) > 0 && !maps.EqualFunc(before, after, slices.Equal) {
			again = min(again, soon)
		}
		timer.Reset(again)
	}
}

// Look takes stock once, and heals what can be healed here.
func (h *Healer) Look(ctx context.Context) error {
	missing, err := h.takeStock(ctx)
	if err != nil {
		return err
	}
	h.mu.Lock()
	h.missing = maps.Clone(missing) // from here on the gate takes it
	h.mu.Unlock()
	for _, device := range slices.Sorted(maps.Keys(missing)) {
		h.note(device, missing[device])
		h.cfg.Lost(device, missing[device])
	}
	restored, err := h.restore(ctx, missing)
	if err != nil {
		return err
	}
	branches, err := h.cfg.Store.KeptBranches(ctx)
	if err == nil && len(branches) > 0 && len(restored) > 0 {
		err = h.cfg.Fresh(ctx) // they go on from what was restored
	}
	for _, k := range branches {
		if err == nil {
			_, err = h.restoreOne(ctx, k)
		}
	}
	if err != nil {
		return err
	}
	if len(missing) > 0 { // the model's own, and what the office has in its journal
		if missing, err = h.takeStock(ctx); err != nil {
			return err
		}
	}
	h.mu.Lock()
	h.missing, h.looked = maps.Clone(missing), time.Now()
	found := map[events.DeviceID]wire.Ranges{}
	for device, ranges := range h.told {
		if there := ranges.Without(missing[device]); len(there) > 0 {
			found[device] = there
		}
	}
	h.mu.Unlock()
	for _, device := range slices.Sorted(maps.Keys(found)) {
		others := found[device].Without(restored[device])
		if err := errors.Join(h.found(ctx, device, found[device].Without(others), ReadModel), h.found(ctx, device, others, Device)); err != nil {
			return fmt.Errorf("tell what was healed of %s: %w", device, err)
		}
	}
	return h.cfg.Looked(missing)
}

// found tells that ranges are there again, once.
func (h *Healer) found(ctx context.Context, device events.DeviceID, there wire.Ranges, by Source) error {
	if len(there) == 0 {
		return nil
	}
	if err := h.cfg.Found(ctx, device, there, by); err != nil {
		return err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.told[device] = h.told[device].Without(there); len(h.told[device]) == 0 {
		delete(h.told, device)
	}
	return nil
}

func (h *Healer) note(device events.DeviceID, ranges wire.Ranges) {
	h.mu.Lock()
	defer h.mu.Unlock()
	all := h.told[device]
	for _, r := range ranges {
		all.Add(r)
	}
	h.told[device] = all
}

// takeStock is what is known of and not there.
func (h *Healer) takeStock(ctx context.Context) (map[events.DeviceID]wire.Ranges, error) {
	known := h.cfg.Logged() // before the model is waited for: whatever is logged is in RECORDS by now
	if err := h.cfg.Fresh(ctx); err != nil {
		return nil, err
	}
	there, branches, err := h.cfg.Store.Stock(ctx)
	if err != nil {
		return nil, err
	}
	kept, err := h.cfg.Store.KeptStock(ctx)
	if err != nil {
		return nil, err
	}
	missing := map[events.DeviceID]wire.Ranges{}
	add := func(device events.DeviceID, rest wire.Ranges) {
		all := slices.Clone(missing[device])
		for _, r := range rest {
			all.Add(r)
		}
		if len(all) > 0 {
			missing[device] = all
		}
	}
	for device, ranges := range known { // the log does not tell branches apart
		add(device, ranges.Without(there[device]).Without(branches[device]))
	}
	for device, ranges := range kept {
		add(device, ranges.Without(there[device]))
	}
	return missing, nil
}

// restore stores again what the models that were set aside have, and returns what that was.
func (h *Healer) restore(ctx context.Context, missing map[events.DeviceID]wire.Ranges) (map[events.DeviceID]wire.Ranges, error) {
	restored := map[events.DeviceID]wire.Ranges{}
	for _, device := range slices.Sorted(maps.Keys(missing)) {
		for _, r := range missing[device] {
			kept, err := h.cfg.Store.Kept(ctx, device, r)
			if err != nil {
				return nil, err
			}
			for _, k := range kept {
				ok, err := h.restoreOne(ctx, k)
				if err != nil {
					return nil, err
				}
				if ok {
					all := restored[device]
					all.Add(k.Commit.Range)
					restored[device] = all
				}
			}
		}
	}
	return restored, nil
}

// restoreOne stores a message again, and tells whether it could be. Where it cannot, its device is asked.
func (h *Healer) restoreOne(ctx context.Context, k store.Kept) (bool, error) {
	err := h.cfg.Restore(ctx, k)
	switch {
	case err != nil && ctx.Err() != nil:
		return false, ctx.Err()
	case errors.Is(err, gate.ErrGap), errors.Is(err, gate.ErrChain):
		h.cfg.Log.Error("records that RECORDS has lost are kept here, and cannot be stored again", "device", k.Commit.Device, "first", k.Commit.Range.From, "last", k.Commit.Range.To, "error", err)
		return false, nil
	}
	return err == nil, err
}
