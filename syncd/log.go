package syncd

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"ullage/events/checkpoint"
	"ullage/syncd/alarm"
	"ullage/syncd/trust"
	"ullage/syncd/trust/publog"
)

// openLog opens the public log, which then has all that RECORDS holds.
func (c *Centre) openLog(ctx context.Context) error {
	conn, err := c.broker.Connect(trust.Logger)
	if err != nil {
		return err
	}
	c.log, err = publog.Open(ctx, publog.Config{
		Dir: c.trust.LogDir(), Key: c.trust.Log(), Conn: conn, OnAlarm: c.logAlarm, OnEpoch: c.epochEnded, Log: c.cfg.Log,
	})
	return err
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

// epochEnded tells in the open that the public log began anew: a record of the office, and an alarm. Told again, they are
// the same.
func (c *Centre) epochEnded(old checkpoint.Checkpoint, common uint64) error {
	h := sha256.Sum256(fmt.Appendf(nil, "%s %d", old.Text(), common))
	line, err := json.Marshal(map[string]any{
		"kind": "epoch.started", "key": "epoch-" + hex.EncodeToString(h[:16]),
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
