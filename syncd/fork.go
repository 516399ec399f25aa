package syncd

import (
	"context"
	"fmt"

	"ullage/events"
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
		Do: "Nothing is lost: what was received stays, and what either copy holds is set aside whole as it comes in. Nothing more is taken under that name. " +
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
