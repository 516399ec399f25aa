package agent

import (
	"crypto/ed25519"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"sync"

	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/events/wire"
)

// guard is how a device stands guard over the centre's past: at each hello it holds the newest checkpoint of the public
// log to the one that it has checked before. What it knows is in log.json:
//
//	key        the log's public key, from enrolment
//	checked    the newest checkpoint that was checked, signed by the log
//	written    the size in the device's last checkpoint.seen of that origin
//	conflicts  checkpoints that do not go together with what was checked, each with both notes: the evidence
//
// A conflict is never forgotten and stops nothing: the device keeps working, and keeps the checkpoint that it had.
type guard struct {
	path string

	mu   sync.Mutex
	held guarded
}

type guarded struct {
	Key       []byte     `json:"key"`
	Checked   string     `json:"checked,omitempty"`
	Written   uint64     `json:"written,omitempty"`
	Epochs    []Epoch    `json:"epochs,omitempty"`
	Conflicts []Conflict `json:"conflicts,omitempty"`
}

// Epoch is a beginning anew of the public log that this device was told of, all that it had checked being in it still.
type Epoch struct {
	At   events.Millis `json:"at"`   // by the device's clock
	Last string        `json:"last"` // the last checkpoint of the log before that the device had checked
	Next string        `json:"next"` // the first of the new one
}

// Conflict is a checkpoint that the centre showed and that does not go together with one that it showed before.
type Conflict struct {
	At      events.Millis `json:"at"`      // by the device's clock
	Why     string        `json:"why"`     // in words
	Checked string        `json:"checked"` // what the device had checked, signed
	Shown   string        `json:"shown"`   // what it was shown then, as it came; empty for none
}

// maxConflicts is how many are kept: the first ones, which say when it began.
const maxConflicts = 64

// openGuard reads what the device knows of the log. A file that is missing is that of a device without a log to guard.
func openGuard(path string) (*guard, error) {
	g := &guard{path: path}
	if err := readJSON(path, &g.held); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if n := len(g.held.Key); n != 0 && n != ed25519.PublicKeySize {
		return nil, fmt.Errorf("%s: the log's key has %d bytes, not %d", path, n, ed25519.PublicKeySize)
	}
	return g, nil
}

func (g *guard) get() guarded {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.held
}

// change changes what is known, and writes it down before anybody rests on it.
func (g *guard) change(change func(*guarded)) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	next := g.held
	next.Conflicts, next.Epochs = slices.Clone(next.Conflicts), slices.Clone(next.Epochs)
	change(&next)
	if err := writeJSON(g.path, next); err != nil {
		return err
	}
	g.held = next
	return nil
}

// seen is the text of the newest checkpoint that was checked, as seals carry it; empty for none.
func (g *guard) seen() string {
	if note := g.get().Checked; note != "" {
		return checkpoint.Text(note)
	}
	return ""
}

// checked is the newest checkpoint that was checked, zero for none.
func (g *guarded) checked() (checkpoint.Checkpoint, error) {
	if g.Checked == "" {
		return checkpoint.Checkpoint{}, nil
	}
	return checkpoint.Open(g.Checked, g.Key)
}

// alarms are what somebody has to know of.
func (g *guarded) alarms() (all []string) {
	for _, c := range g.Conflicts {
		all = append(all, fmt.Sprintf("the centre's past was changed, or its log is not the one that this device has checked: %s (seen on %s by this device's clock; both checkpoints are kept in log.json). Go on working, and tell somebody outside of the office's systems",
			c.Why, c.At.In(0).Format("2006-01-02 15:04 UTC")))
	}
	return all
}

// shown looks at the checkpoint of an answer to a hello that was sent with seen. A newer one that holds takes the place of
// what was checked. That one does not hold is written down as a conflict, and is no error: the conversation goes on.
func (g *guard) shown(h *wire.HelloAnswer, at events.Millis) error {
	now := g.get()
	if len(now.Key) == 0 {
		return nil
	}
	had, err := now.checked()
	if err != nil {
		return fmt.Errorf("%s: what was checked before: %w", g.path, err)
	}
	conflict := func(format string, a ...any) error {
		return g.conflict(Conflict{at, fmt.Sprintf(format, a...), now.Checked, h.Checkpoint})
	}
	if h.Checkpoint == "" {
		if had.Size == 0 {
			return nil
		}
		return conflict("it shows no log any more, where it had %d leaves", had.Size)
	}
	got, err := checkpoint.Open(h.Checkpoint, now.Key)
	if err != nil {
		return conflict("%v", err)
	}
	if got == had {
		return nil
	}
	goesOn, anew := checkpoint.Extends(had, got, h.Proof), got.Origin != had.Origin
	switch {
	case had.IsZero():
	case goesOn != nil && anew:
		// It says itself that it began anew. What was checked is lost, and kept here; from now on the new one is guarded.
		if err := conflict("it began its log anew (%s), and that the %d leaves that were checked are in it is not proved", got.Origin, had.Size); err != nil {
			return err
		}
	case goesOn != nil && got.Size < had.Size:
		return conflict("its log has %d leaves, and had %d", got.Size, had.Size)
	case goesOn != nil:
		return conflict("that its log of %d leaves goes on from the %d that were checked is not proved: %v", got.Size, had.Size, goesOn)
	}
	return g.change(func(k *guarded) {
		if anew {
			if goesOn == nil {
				k.Epochs = append(k.Epochs, Epoch{at, k.Checked, h.Checkpoint})
			}
			k.Written = 0
		}
		k.Checked = h.Checkpoint
	})
}

// receipted looks at the checkpoint in a receipt: signed by the log and, where it has as many leaves as the one that was
// checked, the same.
func (g *guard) receipted(note string, at events.Millis) error {
	now := g.get()
	if len(now.Key) == 0 || note == "" {
		return nil
	}
	got, err := checkpoint.Open(note, now.Key)
	if err != nil {
		return g.conflict(Conflict{at, "the checkpoint of a receipt: " + err.Error(), now.Checked, note})
	}
	had, err := now.checked()
	if err != nil {
		return fmt.Errorf("%s: what was checked before: %w", g.path, err)
	}
	if got.Origin == had.Origin && got.Size == had.Size && got.Root != had.Root {
		return g.conflict(Conflict{at, fmt.Sprintf("a receipt has another root for %d leaves", got.Size), now.Checked, note})
	}
	return nil
}

// conflict writes down two checkpoints that do not go together, each pair once.
func (g *guard) conflict(c Conflict) error {
	known := g.get().Conflicts
	same := func(k Conflict) bool { return k.Checked == c.Checked && k.Shown == c.Shown }
	if slices.ContainsFunc(known, same) || len(known) >= maxConflicts {
		return nil
	}
	return g.change(func(k *guarded) { k.Conflicts = append(k.Conflicts, c) })
}
