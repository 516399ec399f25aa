package trust

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/trust/disk"
)

// CodeLife is how long a code holds.
const CodeLife = 15 * time.Minute

// A code that has run out is remembered for a while, so that whoever comes late is told so.
const codeMemory = 24 * time.Hour

const maxAddress = 1024

// ErrName is in the error of NewCode for a name that cannot be given; it is then a *NameError.
var ErrName = errors.New("the name cannot be given")

// NameError says that a name is taken, and which one is free.
type NameError struct {
	Name, Free events.DeviceID
	Why        string
}

func (e *NameError) Error() string {
	return fmt.Sprintf("%q %s; %q is free", e.Name, e.Why, e.Free)
}

func (e *NameError) Unwrap() error { return ErrName }

// code is a one-time code that was given out; its secret is not kept.
type code struct {
	name    events.DeviceID
	secret  events.Hash // SHA-256
	expires time.Time
}

// codeFile is code on disk.
type codeFile struct {
	Version int             `json:"version"`
	Name    events.DeviceID `json:"name"`
	Secret  string          `json:"secret_sha256"`
	Expires events.Millis   `json:"expires"`
}

// NewCode makes the one-time code by which a device gets the name; address is the URL at which it enrols. The code
// holds for CodeLife, also over a restart. Its error wraps events.ErrIdentifier for what is no name, and ErrName for
// one that is used, that waits for its device, or that is kept for centres.
func (t *Trust) NewCode(name string, address string) (wire.Code, error) {
	id, err := events.ParseDeviceID(name)
	if err != nil {
		return wire.Code{}, err
	}
	if err := checkAddress(address); err != nil {
		return wire.Code{}, err
	}
	t.enrol.Lock()
	defer t.enrol.Unlock()
	now := t.cfg.Now()
	if why := t.taken(id, now); why != "" {
		return wire.Code{}, &NameError{id, t.free(id, now), why}
	}
	if err := t.sweepCodes(id, now); err != nil {
		return wire.Code{}, err
	}
	made := wire.Code{Pin: t.Pin(), Address: address}
	if _, err := io.ReadFull(t.cfg.Random, made.Secret[:]); err != nil {
		return wire.Code{}, fmt.Errorf("make a code: %w", err)
	}
	c := code{id, sha256.Sum256(made.Secret[:]), now.Add(CodeLife)}
	b, err := json.MarshalIndent(codeFile{fileVersion, c.name, c.secret.String(), events.MillisOf(c.expires)}, "", "  ")
	if err != nil {
		return wire.Code{}, err
	}
	if err := t.write(t.codePath(id), append(b, '\n')); err != nil {
		return wire.Code{}, fmt.Errorf("make a code: %w", err)
	}
	t.codes[id] = c
	return made, nil
}

func checkAddress(address string) error {
	u, err := url.Parse(address)
	if err != nil || len(address) > maxAddress || u.Host == "" || u.Scheme != "https" {
		return fmt.Errorf("%.100q is no address of enrolment: https://HOST:PORT is one", address)
	}
	return nil
}

// Names of this and of further centres, and of their gates.
var reserved = regexp.MustCompile(`^(?i:office|gate)-[0-9]+$`)

// taken says why a name cannot be given, or nothing. Names that differ in capitals only count as one: people mix them
// up, and so do some file systems. It needs enrol held.
func (t *Trust) taken(id events.DeviceID, now time.Time) string {
	if reserved.MatchString(string(id)) {
		return "is kept for centres"
	}
	t.mu.RLock()
	defer t.mu.RUnlock()
	for other := range t.devices {
		if strings.EqualFold(string(other), string(id)) {
			return "is used already"
		}
	}
	for other, c := range t.codes {
		if strings.EqualFold(string(other), string(id)) && now.Before(c.expires) {
			return fmt.Sprintf("waits for its device until %s", c.expires.UTC().Format("15:04:05Z"))
		}
	}
	return ""
}

// free finds a name like id that can be given.
func (t *Trust) free(id events.DeviceID, now time.Time) events.DeviceID {
	return numbered(id, func(id events.DeviceID) bool { return t.taken(id, now) != "" })
}

// numbered finds a name like one that is taken.
func numbered(id events.DeviceID, taken func(events.DeviceID) bool) events.DeviceID {
	for n := 2; ; n++ {
		end := fmt.Sprintf("-%d", n)
		base := string(id)[:min(len(id), events.MaxIdentifier-len(end))]
		if next := events.DeviceID(base + end); !taken(next) {
			return next
		}
	}
}

// findCode finds the code by its secret, in a time that does not depend on how near a wrong one comes.
func (t *Trust) findCode(secret []byte) (code, bool) {
	sum := sha256.Sum256(secret)
	var found code
	var ok bool
	for _, c := range t.codes {
		if subtle.ConstantTimeCompare(c.secret[:], sum[:]) == 1 {
			found, ok = c, true
		}
	}
	return found, ok
}

// sweepCodes forgets codes of long ago, and those of the name, which were seen to have run out.
func (t *Trust) sweepCodes(name events.DeviceID, now time.Time) error {
	for id, c := range t.codes {
		if strings.EqualFold(string(id), string(name)) || now.Sub(c.expires) > codeMemory {
			if err := disk.Remove(t.codePath(id)); err != nil {
				return err
			}
			delete(t.codes, id)
		}
	}
	return nil
}

func (t *Trust) codePath(id events.DeviceID) string {
	return filepath.Join(t.codesDir(), string(id)+fileEnd)
}

func loadCodes(dir string) (map[events.DeviceID]code, error) {
	codes := map[events.DeviceID]code{}
	err := disk.Each(dir, fileEnd, func(name string, b []byte) error {
		var f codeFile
		if err := disk.Decode(b, &f, &f.Version, fileVersion); err != nil {
			return err
		}
		if err := events.CheckIdentifier(string(f.Name)); err != nil {
			return err
		}
		if string(f.Name) != name {
			return fmt.Errorf("it is that of %q", f.Name)
		}
		hash, err := events.ParseHash(f.Secret)
		if err != nil {
			return err
		}
		codes[f.Name] = code{f.Name, hash, f.Expires.Time()}
		return nil
	})
	return codes, err
}

// Wrong secrets that are taken within a minute, from all sides together, before everyone has to wait.
const (
	MaxTries = 10
	triesIn  = time.Minute
)

// WaitError says that too many wrong secrets came, and how long nothing is taken.
type WaitError struct{ Wait time.Duration }

func (e *WaitError) Error() string {
	return fmt.Sprintf("too many wrong codes were tried; try again in %d s", int((e.Wait+time.Second-1)/time.Second))
}

// tries are the times of wrong secrets.
type tries []time.Time

func (t *tries) add(now time.Time) { *t = append(*t, now) }

// wait says how long nothing is taken. A clock that was set back does not prolong it.
func (t *tries) wait(now time.Time) time.Duration {
	kept := (*t)[:0]
	for _, at := range *t {
		if age := now.Sub(at); age >= 0 && age < triesIn {
			kept = append(kept, at)
		}
	}
	*t = kept
	if len(kept) < MaxTries {
		return 0
	}
	return triesIn - now.Sub(kept[len(kept)-MaxTries])
}
