package agent

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"sync"

	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/entry"
)

// erasures are the pieces of evidence that the office has ordered to be erased, in erased.json, as far as this device
// was told: a list of digests in 64 hexadecimal digits, ascending. It stands outside of the evidence, so that a folder of
// evidence that was put back from a backup loses them again before anything of it is shown. A device that was put back
// whole has to be told again; the centre does so.
type erasures struct {
	path string

	mu      sync.Mutex
	pieces  map[events.Digest]bool
	written int // of them are on the disk
}

// openErasures reads erased.json. A file that cannot be read is told by the error; what comes with it is an empty list,
// for nobody must be kept from recording by it.
func openErasures(path string) (*erasures, error) {
	e := &erasures{path: path, pieces: map[events.Digest]bool{}}
	var list []string
	if err := readJSON(path, &list); errors.Is(err, fs.ErrNotExist) {
		return e, nil
	} else if err != nil {
		return e, err
	}
	read := make(map[events.Digest]bool, len(list))
	for i, name := range list {
		d, err := events.ParseHash(name)
		if err != nil {
			return e, fmt.Errorf("%s: piece %d: %w", path, i+1, err)
		}
		read[d] = true
	}
	e.pieces, e.written = read, len(read)
	return e, nil
}

// has tells whether a piece was ordered to be erased.
func (e *erasures) has(d events.Digest) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.pieces[d]
}

// all lists them, ascending.
func (e *erasures) all() []events.Digest {
	e.mu.Lock()
	defer e.mu.Unlock()
	return slices.SortedFunc(maps.Keys(e.pieces), func(a, b events.Digest) int { return slices.Compare(a[:], b[:]) })
}

// add takes more into the list, and returns when they are on the disk. Where they cannot be written, they are in the
// list of this process all the same.
func (e *erasures) add(more []events.Digest) error {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, d := range more {
		e.pieces[d] = true
	}
	if len(e.pieces) == e.written {
		return nil
	}
	list := make([]string, 0, len(e.pieces))
	for d := range e.pieces {
		list = append(list, d.String())
	}
	slices.Sort(list)
	if err := writeJSON(e.path, list); err != nil {
		return err
	}
	e.written = len(list)
	return nil
}

// eraseAgain makes sure, before anything is shown, that what is known to be erased is so.
func (d *Device) eraseAgain() {
	for _, piece := range d.erasures.all() {
		gone, err := d.evidence.Erased(piece)
		if err == nil && !gone {
			if err = d.evidence.Erase(piece); err == nil {
				d.cfg.Log.Warn("a piece of evidence that was erased had come back, as from a backup; it is erased again", "evidence", piece)
			}
		}
		if err != nil {
			d.cfg.Log.Error("a piece of evidence that is to be erased cannot be; it is not shown", "error", err)
		}
	}
}

// erase erases what the centre says is to be, and returns what is gone now. What cannot be erased is told and not
// returned; the centre says so again at the next hello, and nothing waits for it.
func (s *session) erase(pieces []events.Digest) []events.Digest {
	if len(pieces) == 0 {
		return nil
	}
	// First the list: a crash from here on is made good at the next start. Overwriting takes no room, and goes on where
	// the disk is full.
	listed := s.erasures.add(pieces)
	if listed != nil {
		s.cfg.Log.Error("which evidence is erased cannot be written down; it is erased, and not confirmed", "error", listed)
	}
	var gone []events.Digest
	for _, piece := range pieces {
		if err := s.evidence.Erase(piece); err != nil {
			s.cfg.Log.Error("a piece of evidence that is to be erased cannot be; it is not shown, and not confirmed", "error", err)
			continue
		}
		s.loop.progressed()
		if listed == nil {
			gone = append(gone, piece)
		}
	}
	return gone
}

// confirm writes down, for the office, that pieces of evidence are gone from here. What a record says already, that the
// centre has not seen yet or that came back from there just now, is not said twice.
func (s *session) confirm(gone []events.Digest) error {
	if len(gone) == 0 {
		return nil
	}
	gone, err := s.own.unconfirmed(gone)
	if err != nil {
		return fmt.Errorf("look up which erasures are confirmed: %w", err)
	}
	for list := range slices.Chunk(gone, events.MaxList) {
		names := make([]string, len(list))
		for i, d := range list {
			names[i] = fmt.Sprintf("%q", entry.FormatEvidence(d))
		}
		line := fmt.Sprintf(`{"kind":"erasure.done","body":{"evidence":[%s],"ground":"ordered by the office"}}`, strings.Join(names, ","))
		if err := s.recordOwn(line); errors.Is(err, journal.ErrFull) {
			s.cfg.Log.Warn("the disk is full: that evidence was erased was not written down", "pieces", len(list))
			return nil // what waits can go all the same
		} else if err != nil {
			return fmt.Errorf("write down that evidence was erased: %w", err)
		}
	}
	return nil
}
