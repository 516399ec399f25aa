package syncd

import (
	"fmt"

	"ullage/syncd/alarm"
	"ullage/syncd/gate"
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
			"Find both devices, and find out which folder was copied or put back from a backup. Each goes on writing under a name of its own.",
		Evidence: map[string]string{"the link at that record on the branch that came second": f.Link.String()},
	})
	if err != nil {
		c.cfg.Log.Error("an alarm could not be written down", "error", err)
	}
	return nil
}
