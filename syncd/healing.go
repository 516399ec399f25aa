package syncd

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/alarm"
	"ullage/syncd/heal"
	"ullage/syncd/office"
	"ullage/syncd/store"
)

func (c *Centre) openHealer() {
	c.healer = heal.New(heal.Config{
		Store: c.store, Logged: c.log.Logged, Lost: c.lost, Found: c.foundAgain, Looked: c.endAlarms, Every: time.Minute, Rarely: 24 * time.Hour, Log: c.cfg.Log,
		Fresh: func(ctx context.Context) error { return office.Fresh(ctx, c.source, c.store) },
		Scrub: func(ctx context.Context) error { return c.store.Scrub(ctx, c.source) },
		Restore: func(ctx context.Context, k store.Kept) error {
			known, _ := c.find(k.Commit.Device)
			return c.gate.Restore(ctx, known, k.Place, k.Commit, k.Records)
		},
	})
}

// lost hears of records that RECORDS has had and has no more. Those of the office itself are in its own journal.
func (c *Centre) lost(device events.DeviceID, ranges wire.Ranges) {
	err := c.alarms.Raise(alarm.Alarm{
		Kind: alarm.RangeMissing, From: string(device), About: fmt.Sprintf("%s %s", device, inWords(ranges)),
		What: fmt.Sprintf("The centre has lost %s of device %s, which it had received.", inWords(ranges), device),
		Do: "Look after this machine's disk, and find out whether an older state was put back. The centre brings them back by itself from what it has kept, " +
			"or asks the device when it next calls: this alarm ends when they are there. Until then wipe no folder of that device.",
	})
	if err != nil {
		c.cfg.Log.Error("an alarm could not be written down", "error", err)
	}
	if id, _ := c.trust.Office(); device != id {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	if err := errors.Join(c.recorder.Again(ctx, ranges), c.recorder.Push(ctx)); err != nil {
		c.cfg.Log.Error("what the centre has lost of the office's records could not be stored again; it is tried again", "error", err)
	}
}

// missing is what the healer misses.
func (c *Centre) missing() office.Missing {
	missing, looked := c.healer.Missing()
	all := office.Missing{Missing: []office.MissingRange{}}
	for _, device := range slices.Sorted(maps.Keys(missing)) {
		for _, r := range missing[device] {
			all.Missing = append(all.Missing, office.MissingRange{Device: device, From: r.From, To: r.To})
		}
	}
	if !looked.IsZero() {
		at := events.MillisOf(looked).Format(0)
		all.Looked = &at
	}
	return all
}

// inWords tells ranges.
func inWords(ranges wire.Ranges) string {
	var all []string
	for _, r := range ranges {
		if r.From == r.To {
			all = append(all, fmt.Sprintf("record %d", r.From))
		} else {
			all = append(all, fmt.Sprintf("records %d to %d", r.From, r.To))
		}
	}
	const most = 20
	if n := len(all); n > most {
		all = append(all[:most], fmt.Sprintf("%d more stretches", n-most))
	}
	return strings.Join(all, ", ")
}

// foundAgain writes down that records are there again.
func (c *Centre) foundAgain(ctx context.Context, device events.DeviceID, there wire.Ranges, by heal.Source) error {
	var lines bytes.Buffer
	for _, r := range there {
		if err := json.NewEncoder(&lines).Encode(map[string]any{
			"kind": "range.healed", "body": map[string]any{"device": device, "from": r.From, "to": r.To, "source": by},
		}); err != nil {
			return err
		}
	}
	_, err := c.recorder.Record(ctx, &lines)
	return err
}

// endAlarms ends those about devices of which nothing is missing, also where they were raised before this start.
func (c *Centre) endAlarms(missing map[events.DeviceID]wire.Ranges) (err error) {
	for _, a := range c.alarms.All() {
		if a.Kind == alarm.RangeMissing && a.Over == "" && len(missing[events.DeviceID(a.From)]) == 0 {
			err = errors.Join(err, c.alarms.End(alarm.RangeMissing, a.From, "all of them are there again"))
		}
	}
	return err
}
