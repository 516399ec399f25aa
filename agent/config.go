package agent

import (
	"crypto/rand"
	"io"
	"log/slog"
	"time"

	"ullage/agent/journal/disk"
	"ullage/events"
)

// Config is what a device can be told about its surroundings. The zero value is right for a real one.
type Config struct {
	Now      func() time.Time   // the machine's clock, with its zone; nil: time.Now
	Random   func([]byte) error // fills with random bytes; nil: crypto/rand
	Software string             // what this is, in words, for the centre; empty: "ullage-agent"
	Log      *slog.Logger       // what happens; nil: nothing is logged
	Network  Network            // nil: the real one
	Disk     disk.FS            // under the journal; nil: that of the system

	Every    time.Duration // between conversations while nothing waits; 0: 10 minutes
	Patience time.Duration // how long Sync goes on without progress; 0: 20 seconds
	Answer   time.Duration // how long the answer to a small request may take; 0: 3 seconds
	Holder   time.Duration // how long Open waits for another process; 0: 10 seconds
}

func (c Config) withDefaults() Config {
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Random == nil {
		c.Random = func(b []byte) error { _, err := io.ReadFull(rand.Reader, b); return err }
	}
	if c.Software == "" {
		c.Software = "ullage-agent"
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	for _, d := range []struct {
		given *time.Duration
		or    time.Duration
	}{{&c.Every, 10 * time.Minute}, {&c.Patience, 20 * time.Second}, {&c.Answer, 3 * time.Second}, {&c.Holder, 10 * time.Second}} {
		if *d.given == 0 {
			*d.given = d.or
		}
	}
	return c
}

// millis is the machine's clock as records have it.
func (c *Config) millis() events.Millis { return events.MillisOf(c.Now()) }

// zone is the machine's offset from UTC in minutes at a time.
func (c *Config) zone(at events.Millis) int {
	_, seconds := at.Time().In(c.Now().Location()).Zone()
	return seconds / 60
}
