package storm

import (
	"context"
	"log/slog"
	"sync"
	"time"
)

// tally takes what devices log, and keeps of it how long pushes took that were answered otherwise than with busy, how
// often the centre was busy, and why conversations did not end well.
type tally struct {
	mu     sync.Mutex
	pushes []time.Duration
	busy   int
	failed map[string]int
}

func (t *tally) Enabled(context.Context, slog.Level) bool { return true }

func (t *tally) Handle(_ context.Context, r slog.Record) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch r.Message {
	case "pushed":
		t.pushes = append(t.pushes, value(r, "took").Duration())
	case "the centre is busy":
		t.busy++
	case "not synced":
		if t.failed == nil {
			t.failed = map[string]int{}
		}
		t.failed[value(r, "why").String()]++
	}
	return nil
}

// value is the value of what r says under a name.
func value(r slog.Record, name string) (v slog.Value) {
	r.Attrs(func(a slog.Attr) bool {
		if a.Key == name {
			v = a.Value
		}
		return a.Key != name
	})
	return v
}

func (t *tally) WithAttrs([]slog.Attr) slog.Handler { return t }
func (t *tally) WithGroup(string) slog.Handler      { return t }
