// Package alarm is the centre's book of alarms: what must not be missed, and does not go away by itself.
//
// An alarm is raised with what is wrong, what to do, and what proves it. It stays open, over restarts, until somebody
// acknowledges it by its name, or until it is ended because what it told of has come right; the book keeps it, with who did
// and when. One thing raises one alarm: what is raised
// again while it stands in the book, open or acknowledged, is only counted; and so is what one device makes the centre
// raise beyond a number, so that it cannot crowd out the others.
//
// The book is one file, which is written whole or not at all.
package alarm

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strings"
	"sync"

	"ullage/events"
	"ullage/syncd/trust/disk"
)

// Kind says what sort of thing is wrong.
type Kind string

// The kinds.
const (
	LogConflict Kind = "log-conflict" // a device has checked a state of the public log that this log never had
	LogDamage   Kind = "log-damage"   // the public log and its file do not go together
	NewEpoch    Kind = "log-anew"     // the public log began anew

	Forked Kind = "fork" // two copies of one device both write

	AccessChanged Kind = "access-changed" // the access journal is not as it was written

	RangeMissing Kind = "range-missing" // RECORDS has lost records that it had
)

// Limits of the book. What is beyond them is only logged: whoever can raise alarms without end must not fill a disk.
const (
	MaxAlarms   = 1000
	maxEvidence = 4 << 10 // bytes of one piece
	maxFrom     = 20      // alarms of one kind by one source
	spare       = 100     // that no source but the centre itself may take
)

// Alarm is one thing that is wrong.
type Alarm struct {
	Name     string            `json:"name"` // by which it is acknowledged; given by the book
	Kind     Kind              `json:"kind"`
	About    string            `json:"about"`          // with Kind, what tells it from others
	From     string            `json:"from,omitempty"` // the device that makes us raise it; empty for the centre itself
	What     string            `json:"what"`
	Do       string            `json:"do"`
	Evidence map[string]string `json:"evidence,omitempty"` // by what it is
	Since    string            `json:"since"`              // RFC 3339
	Times    int               `json:"times"`              // that it was raised, as far as that was written down

	Acknowledged string           `json:"acknowledged,omitempty"` // when; empty while it is open
	By           events.StaffCode `json:"by,omitempty"`           // who did

	Over string `json:"over,omitempty"` // when what was wrong had come right; empty while it has not, as far as the centre can see
	How  string `json:"how,omitempty"`  // it did
}

// Open tells whether nobody has acknowledged a, and it is not over.
func (a *Alarm) Open() bool { return a.Acknowledged == "" && a.Over == "" }

// Errors of Acknowledge.
var (
	ErrUnknown = errors.New("no such alarm")
	ErrClosed  = errors.New("the alarm was acknowledged already")
)

// Book is all alarms, oldest first. Its methods may be called at the same time.
type Book struct {
	path string
	now  func() events.Millis
	log  *slog.Logger

	mu     sync.Mutex
	alarms []Alarm
}

type file struct {
	Version int     `json:"version"`
	Alarms  []Alarm `json:"alarms"`
}

const version = 1

// Read reads the book at path; one that is not there is empty. What is open is logged, so that a start tells of it.
func Read(path string, now func() events.Millis, log *slog.Logger) (*Book, error) {
	b := &Book{path: path, now: now, log: log}
	data, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return b, nil
	}
	if err != nil {
		return nil, fmt.Errorf("alarms: %w", err)
	}
	var f file
	if err := json.Unmarshal(data, &f); err != nil {
		return nil, fmt.Errorf("alarms: %s: %w", path, err)
	}
	if f.Version != version {
		return nil, fmt.Errorf("alarms: %s: version %d is not known here", path, f.Version)
	}
	b.alarms = f.Alarms
	for _, a := range b.Pending() {
		log.Error("ALARM "+a.Name+": "+a.What, "since", a.Since, "do", a.Do)
	}
	return b, nil
}

// Raise puts an alarm into the book, of which Kind, About, What, Do and Evidence are given. Where it cannot be written
// down it stands in memory and in the log all the same, and the error says so.
func (b *Book) Raise(a Alarm) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if i := slices.IndexFunc(b.alarms, func(k Alarm) bool { return k.Kind == a.Kind && k.About == a.About && k.Over == "" }); i >= 0 {
		b.alarms[i].Times++
		return nil
	}
	if a.From != "" {
		last, n := -1, 0
		for i := range b.alarms {
			if b.alarms[i].Kind == a.Kind && b.alarms[i].From == a.From {
				last, n = i, n+1
			}
		}
		if n >= maxFrom { // it has been heard, and is only counted from now on
			b.alarms[last].Times++
			return nil
		}
	}
	most := MaxAlarms
	if a.From != "" {
		most -= spare
	}
	if len(b.alarms) >= most {
		b.log.Error("ALARM, and the book of alarms is full: "+a.What, "do", a.Do)
		return fmt.Errorf("the book of alarms holds %d already", len(b.alarms))
	}
	a.Name = b.name(a.Kind)
	a.Since, a.Times, a.Acknowledged, a.By, a.Over, a.How = b.now().Format(0), 1, "", "", "", ""
	evidence := map[string]string{}
	for what, piece := range a.Evidence {
		if len(piece) > maxEvidence {
			piece = strings.ToValidUTF8(piece[:maxEvidence], "")
		}
		evidence[what] = piece
	}
	a.Evidence = evidence
	b.alarms = append(b.alarms, a)
	b.log.Error("ALARM "+a.Name+": "+a.What, "do", a.Do)
	return b.write(b.alarms)
}

// name is the first free name of a kind.
func (b *Book) name(kind Kind) string {
	for n := 1; ; n++ {
		name := fmt.Sprintf("%s-%d", kind, n)
		if !slices.ContainsFunc(b.alarms, func(k Alarm) bool { return k.Name == name }) {
			return name
		}
	}
}

// Acknowledge writes down that somebody knows of an alarm. Its error wraps ErrUnknown or ErrClosed, or events.ErrIdentifier
// where by is no staff code.
func (b *Book) Acknowledge(name string, by events.StaffCode) error {
	if err := events.CheckIdentifier(string(by)); err != nil {
		return fmt.Errorf("by: %w", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	i := slices.IndexFunc(b.alarms, func(k Alarm) bool { return k.Name == name })
	switch {
	case i < 0:
		return fmt.Errorf("%w: %.100q", ErrUnknown, name)
	case b.alarms[i].Acknowledged != "":
		return fmt.Errorf("%w: %s, at %s by %s", ErrClosed, name, b.alarms[i].Acknowledged, b.alarms[i].By)
	}
	next := slices.Clone(b.alarms)
	next[i].Acknowledged, next[i].By = b.now().Format(0), by
	if err := b.write(next); err != nil {
		return err
	}
	b.alarms = next
	b.log.Warn("alarm acknowledged", "alarm", name, "by", by)
	return nil
}

// End writes down that what alarms of a kind from a device told of has come right, and how. Acknowledged ones end too.
func (b *Book) End(kind Kind, from, how string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	next, ended := slices.Clone(b.alarms), 0
	for i := range next {
		if a := &next[i]; a.Kind == kind && a.From == from && a.Over == "" {
			a.Over, a.How = b.now().Format(0), how
			ended++
		}
	}
	if ended == 0 {
		return nil
	}
	if err := b.write(next); err != nil {
		return err
	}
	b.alarms = next
	b.log.Warn("alarm is over: "+how, "kind", kind, "from", from)
	return nil
}

// All are the alarms, oldest first.
func (b *Book) All() []Alarm {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]Alarm{}, b.alarms...)
}

// Pending are those that are open.
func (b *Book) Pending() []Alarm {
	return slices.DeleteFunc(b.All(), func(a Alarm) bool { return !a.Open() })
}

func (b *Book) write(alarms []Alarm) error {
	data, err := json.MarshalIndent(file{version, alarms}, "", "  ")
	if err != nil {
		return fmt.Errorf("alarms: %w", err)
	}
	return disk.WriteFile(b.path, append(data, '\n'))
}
