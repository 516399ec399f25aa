package syncd

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/events/wire"
	"ullage/syncd/alarm"
	"ullage/syncd/gate"
	"ullage/syncd/stream"
	"ullage/syncd/trust"
	"ullage/syncd/trust/publog"
)

// openLog opens the public log, which then has all that RECORDS holds.
func (c *Centre) openLog(ctx context.Context) error {
	conn, err := c.broker.Connect(trust.Logger)
	if err != nil {
		return err
	}
	records, err := stream.Open(ctx, conn, wire.Records.Name)
	if err != nil {
		return err
	}
	entries, err := stream.Open(ctx, conn, wire.Log.Name)
	if err != nil {
		return err
	}
	c.log, err = publog.Open(ctx, publog.Config{
		Dir: c.trust.LogDir(), Key: c.trust.Log(), Records: records, Entries: entries, OnAlarm: c.logAlarm, OnEpoch: c.epochEnded, Log: c.cfg.Log,
		Known: c.seen,
	})
	return err
}

// seen are checkpoints that devices have checked, as far as the read model knows.
func (c *Centre) seen(origin string, most uint64) []checkpoint.Checkpoint {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	all, err := c.store.Seen(ctx, origin, most)
	if err != nil {
		c.cfg.Log.Warn("what devices have checked of the public log could not be read", "error", err)
	}
	return all
}

// What the office does about an alarm of the log.
var logRemedies = map[publog.AlarmKind]string{
	publog.FileDamaged: "Look after this machine's disk. The damaged file is kept; the log itself is whole where no other alarm says otherwise.",
	publog.FileLost:    "Find out who or what took the files away, and look after this machine's disk.",
	publog.StreamLost:  "Find out whether somebody has put back an older state of the streams, and look after this machine's disk.",
	publog.Rewritten:   "Call whoever keeps this centre. Nothing is logged any more until people have found out which history is the one that the devices have checked.",
	publog.OtherEpoch:  "Find out why the other centre began anew: what was signed before may be lost there.",
}

func (c *Centre) logAlarm(a publog.Alarm) {
	err := c.alarms.Raise(alarm.Alarm{
		Kind: alarm.LogDamage, About: fmt.Sprintf("%s %d %d", a.Kind, a.From, a.To), What: a.Words, Do: logRemedies[a.Kind],
		Evidence: map[string]string{"from": fmt.Sprint(a.From), "to": fmt.Sprint(a.To)},
	})
	if err != nil {
		c.cfg.Log.Error("an alarm could not be written down", "error", err)
	}
}

// epochKey is the key of the record that tells of a new epoch.
func epochKey(origin string, size int64, root events.Hash, common int64) string {
	return keyOf("epoch", origin, size, root.String(), common)
}

// epochEnded tells in the open that the public log began anew: a record of the office, and an alarm. Told again, they are
// the same.
func (c *Centre) epochEnded(old checkpoint.Checkpoint, common uint64) error {
	line, err := json.Marshal(map[string]any{
		"kind": "epoch.started", "key": epochKey(old.Origin, int64(old.Size), old.Root, int64(common)),
		"body": map[string]any{"old_origin": old.Origin, "old_size": old.Size, "old_root": old.Root.String(), "common_size": common},
	})
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	_, err = c.recorder.Record(ctx, bytes.NewReader(line))
	return errors.Join(err, c.alarms.Raise(alarm.Alarm{
		Kind: alarm.NewEpoch, About: old.Origin,
		What: fmt.Sprintf("The public log as it was signed, with %d leaves, is lost, and a new one has begun. Of the old one, the first %d leaves are provably the same.", old.Size, common),
		Do:   "Find out what happened to the log. Devices that have checked the old one will say so; what they tell of it is kept.",
		Evidence: map[string]string{
			"the old log's newest checkpoint": old.Text(), "leaves in common": fmt.Sprint(common),
		},
	}))
}

// conflicting hears where a device has checked a state of the log that this log never had.
func (c *Centre) conflicting(x gate.Conflict) {
	evidence := map[string]string{"what the device has checked": x.Seen.Text()}
	if x.Ours != "" {
		evidence["the log here, signed"] = x.Ours
	}
	if x.Seal != "" {
		evidence[fmt.Sprintf("the seal of %s over its record %d, which says so", x.Device, x.At)] = x.Seal
	}
	err := c.alarms.Raise(alarm.Alarm{
		Kind: alarm.LogConflict, From: string(x.Device), About: fmt.Sprintf("%s %s", x.Device, x.Seen.Text()), Evidence: evidence,
		What: fmt.Sprintf("The past that device %s has checked is not the past of this centre: %s.", x.Device, x.Why),
		Do:   "Make a backup of this centre and of that device's folder before anything else. Two pasts were shown: find out whether an older state was put back, or who could write to the centre's disk. What devices still hold they send again.",
	})
	if err != nil {
		c.cfg.Log.Error("an alarm could not be written down", "error", err)
	}
}
