package syncd

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"ullage/events"
	"ullage/events/entry"
	"ullage/projections"
	"ullage/syncd/alarm"
	"ullage/syncd/gate"
	"ullage/syncd/office"
	"ullage/syncd/trust"
)

// forked freezes a device of which two copies write, and raises the alarm. It is frozen also where the alarm cannot be
// written down: that stands in the log then.
func (c *Centre) forked(f gate.Fork) error {
	if err := c.trust.Freeze(f.Device); err != nil {
		return err
	}
	err := c.alarms.Raise(alarm.Alarm{
		Kind: alarm.Forked, From: string(f.Device), About: string(f.Device),
		What: fmt.Sprintf("Two copies of device %s both write: record %d of one is not record %d of the other.", f.Device, f.At, f.At),
		Do: "Nothing is lost: what was received stays, and what either copy holds is kept whole as it comes in. From where the two part nothing counts until you settle which one does. " +
			"Find both devices, and find out which folder was copied or put back from a backup. Each goes on writing under a name of its own, which you let in: ullage fork list.",
		Evidence: map[string]string{"the link at that record on the branch that came second": f.Link.String()},
	})
	if err != nil {
		c.cfg.Log.Error("an alarm could not be written down", "error", err)
	}
	return nil
}

// heirs lists who goes on from a device that has forked.
func (c *Centre) heirs() []office.Heir {
	list := []office.Heir{}
	for _, h := range c.trust.Heirs() {
		list = append(list, office.Heir{Device: h.ID, Parent: h.Parent, Waits: h.Waits})
	}
	return list
}

// letIn lets in an identity that goes on from one that has forked, once that is written down. If it was cut short, the
// same call makes it good.
func (c *Centre) letIn(ctx context.Context, id events.DeviceID, d office.Decision) error {
	return c.trust.LetIn(id, func(t trust.Device) error {
		line := enrolledLine(t)
		line["by"] = d.By
		line["body"].(map[string]any)["why"] = d.Why
		return c.decide(ctx, line)
	})
}

// forks lists the partings of the devices that have forked.
func (c *Centre) forks(ctx context.Context) ([]office.Fork, error) {
	if err := office.Fresh(ctx, c.source, c.store); err != nil {
		return nil, err
	}
	all, err := c.store.Forks(ctx, "")
	list := []office.Fork{}
	for _, f := range all {
		row := office.Fork{Device: f.Device, Seq: f.Seq, Branches: []office.ForkBranch{}}
		for _, s := range f.Branches {
			row.Settled = row.Settled || s.Stands
		}
		for _, s := range f.Branches {
			row.Branches = append(row.Branches, forkBranch(f.Seq, s, row.Settled))
		}
		list = append(list, row)
	}
	return list, err
}

func forkBranch(at events.Seq, s projections.Side, settled bool) office.ForkBranch {
	b := office.ForkBranch{Branch: branchName(at, s.Link), Link: s.Link, State: office.BranchWaits, Records: len(s.Records)}
	switch {
	case s.Stands:
		b.State = office.BranchStands
	case settled:
		b.State = office.BranchOverruled
	}
	if n := len(s.Records); n > 0 {
		first, last := s.Records[0], s.Records[n-1]
		b.From, b.To = first.Record.Seq, last.Record.Seq
		b.First, b.Last, b.Received = said(first), said(last), moment(first.Received)
	}
	return b
}

// said is when a record happened, as it states.
func said(f *projections.Fact) *string {
	if f.Record.ID.IsZero() { // nobody can read it
		return nil
	}
	at := f.Record.Done.Format(f.Record.Zone)
	return &at
}

// branchName is how people name a branch.
func branchName(at events.Seq, link events.Hash) string {
	return fmt.Sprintf("%d-%s", at, link.String()[:8])
}

// leastDigits is how many digits of its link name a branch at least.
const leastDigits = 4

// branch finds the branch of a device that is meant; nil where there is none.
func (c *Centre) branch(ctx context.Context, device events.DeviceID, is func(projections.Fork, projections.Side) bool) (fork *projections.Fork, side *projections.Side, err error) {
	forks, err := c.store.Forks(ctx, device)
	if err != nil || device == "" {
		return nil, nil, err
	}
	for i := range forks {
		for k := range forks[i].Branches {
			if f, s := &forks[i], &forks[i].Branches[k]; is(*f, *s) {
				if side != nil {
					return nil, nil, fmt.Errorf("%w: more than one of %s begins so; give more digits", office.ErrNoBranch, device)
				}
				fork, side = f, s
			}
		}
	}
	return fork, side, nil
}

// settle writes down which branch of a device counts, unless that is the newest word about it already.
func (c *Centre) settle(ctx context.Context, device events.DeviceID, name string, d office.Decision) error {
	if err := office.Fresh(ctx, c.source, c.store); err != nil {
		return err
	}
	number, digits, ok := strings.Cut(name, "-")
	at, err := strconv.ParseUint(number, 10, 63)
	if !ok || err != nil || len(digits) < leastDigits {
		return fmt.Errorf("%w: %q is no name of one, such as 41-0a1b2c3d; see: ullage fork list", office.ErrNoBranch, name)
	}
	fork, side, err := c.branch(ctx, device, func(f projections.Fork, s projections.Side) bool {
		return f.Seq == events.Seq(at) && strings.HasPrefix(s.Link.String(), strings.ToLower(digits))
	})
	switch {
	case err != nil:
		return err
	case side == nil:
		return fmt.Errorf("%w: %s of device %s; see: ullage fork list", office.ErrNoBranch, name, device)
	case side.Stands:
		return nil
	}
	body := map[string]any{"device": device, "stands": map[string]any{"seq": fork.Seq, "link": side.Link.String()}, "why": d.Why}
	return c.decide(ctx, map[string]any{"kind": (*events.BranchSettled)(nil).Kind(), "by": d.By, "body": body})
}

// unsettle withdraws what was settled about the branches of a device.
func (c *Centre) unsettle(ctx context.Context, device events.DeviceID, d office.Decision) (int, error) {
	if err := office.Fresh(ctx, c.source, c.store); err != nil {
		return 0, err
	}
	forks, err := c.store.Forks(ctx, device)
	if err == nil && (device == "" || len(forks) == 0) {
		err = fmt.Errorf("%w: device %s has not forked", office.ErrNoBranch, device)
	}
	if err != nil {
		return 0, err
	}
	var lines []map[string]any
	for _, f := range forks {
		for _, w := range f.Settled {
			lines = append(lines, map[string]any{"kind": events.KindWithdrawn, "by": d.By, "body": map[string]any{"target": entry.FormatTarget(w.Target()), "why": d.Why}})
		}
	}
	if len(lines) == 0 {
		return 0, nil
	}
	return len(lines), c.decide(ctx, lines...)
}
