// Package access keeps the access journal: who came in to the office, who was refused, what was changed about people
// and tokens, and who read which evidence.
//
// Append returns when a line is on the disk; whoever asks it refuses what it would tell if it fails. The lines are
// chained by hashes, so that one that was changed, taken out or put in shows: Read checks the chain whenever it reads.
// FORMAT.md tells the file exactly, and what the chain does not show.
package access

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"ullage/events"
	"ullage/syncd/trust/disk"
)

// Act is what was done.
type Act string

// The acts.
const (
	SignIn          Act = "sign-in"
	SignInRefused   Act = "sign-in refused"
	SignOut         Act = "sign-out"
	LinkMade        Act = "link made"
	LinkRefused     Act = "link refused"
	TokenExpired    Act = "token expired"
	TokenMade       Act = "token made"
	TokenRevoked    Act = "token revoked"
	GrantMade       Act = "grant made"
	GrantRevoked    Act = "grant revoked"
	PersonAdded     Act = "person added"
	PersonRemoved   Act = "person removed"
	RoleChanged     Act = "role changed"
	PasswordChanged Act = "password changed"
	EvidenceRead    Act = "evidence read"
)

// Entry is what a line tells. N and At are the journal's to set.
type Entry struct {
	N       uint64   `json:"n"`
	At      string   `json:"at"` // RFC 3339 in UTC
	Act     Act      `json:"act"`
	Who     string   `json:"who,omitempty"`     // local, link, person:NAME, token:NAME; empty: nobody was let in
	From    string   `json:"from,omitempty"`    // address
	Through string   `json:"through,omitempty"` // method and path
	About   string   `json:"about,omitempty"`   // the person, the token or the grant that was meant
	Note    string   `json:"note,omitempty"`
	Digests []string `json:"digests,omitempty"` // of evidence
}

// Bounds of a line.
const (
	maxText    = 200 // bytes of a text; longer ones are cut
	maxDigests = 500
	maxLine    = 64 << 10
)

const label = "ullage.access.1"

// Head is where a journal ends: the number and the hash of its last line.
type Head struct {
	N    uint64
	Hash events.Hash
}

// next is the hash of a line behind h.
func (h Head) next(rest []byte) events.Hash {
	s := sha256.New()
	s.Write([]byte(label))
	s.Write(h.Hash[:])
	s.Write(rest)
	return events.Hash(s.Sum(nil))
}

// file is what the journal does with its file; tests make it fail.
type file interface {
	io.ReaderAt
	io.WriterAt
	io.Closer
	Truncate(size int64) error
	Sync() error
}

// Config is what Open needs. All of it must be set.
type Config struct {
	Dir     string // the journal's folder
	Now     func() time.Time
	Changed func(Break) // hears of each place where the chain does not hold, whenever the journal is read
	Log     *slog.Logger
}

// Journal is an access journal. Its methods may be called at the same time.
type Journal struct {
	cfg Config

	mu      sync.Mutex // protects what follows
	f       file
	size    int64
	head    Head
	dirty   bool  // there may be something behind size
	stopped error // why nothing is written any more
}

// Open opens the journal of a folder, and makes it where there is none. What a power cut left behind the last whole line
// is cut off. Where the chain does not hold, the journal goes on behind it: nothing is deleted.
func Open(cfg Config) (_ *Journal, err error) {
	path := filepath.Join(cfg.Dir, "journal.ndjson")
	if err := disk.MakeDir(cfg.Dir); err != nil {
		return nil, err
	}
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		if err := disk.WriteFile(path, nil); err != nil {
			return nil, err
		}
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return nil, fmt.Errorf("access journal: %w", err)
	}
	defer func() {
		if err != nil {
			f.Close()
		}
	}()
	info, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("access journal: %w", err)
	}
	j := &Journal{cfg: cfg, f: f}
	c := chain{}
	if err := c.read(io.NewSectionReader(f, 0, info.Size()), func([]byte, Entry) {}); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	j.size, j.head = c.size, c.head
	for _, b := range c.breaks {
		cfg.Changed(b)
	}
	if torn := info.Size() - c.size; torn > 0 {
		cfg.Log.Warn("a line of the access journal that was never whole is cut off", "bytes", torn)
		if err := errors.Join(f.Truncate(c.size), f.Sync()); err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
	}
	return j, nil
}

// Close closes the file.
func (j *Journal) Close() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.f.Close()
}

// Append writes what e tells, in more than one line where it names many digests. After nil it survives a power cut; with
// an error it must be taken as not written.
func (j *Journal) Append(e Entry) error {
	for _, text := range []*string{&e.Who, &e.From, &e.Through, &e.About, &e.Note} {
		*text = short(*text)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.stopped != nil {
		return j.stopped
	}
	var b bytes.Buffer
	head, digests := j.head, e.Digests
	e.At = events.MillisOf(j.cfg.Now()).Format(0)
	for first := true; first || len(digests) > 0; first = false {
		e.N, e.Digests = head.N+1, digests[:min(len(digests), maxDigests)]
		digests = digests[len(e.Digests):]
		rest, err := json.Marshal(e)
		if err != nil {
			return fmt.Errorf("access journal: %w", err)
		}
		rest = rest[1:] // the brace is before the hash
		head = Head{e.N, head.next(rest)}
		fmt.Fprintf(&b, "%s%s\",%s\n", start, head.Hash, rest)
	}
	if j.dirty {
		if err := j.f.Truncate(j.size); err != nil {
			return fmt.Errorf("access journal: %w", err)
		}
	}
	j.dirty = true
	if _, err := j.f.WriteAt(b.Bytes(), j.size); err != nil {
		return fmt.Errorf("access journal: %w", err)
	}
	if err := j.f.Sync(); err != nil {
		// What the disk holds now is unknown, and stays so (see agent/journal).
		j.stopped = fmt.Errorf("the access journal cannot be written until the centre is started anew: %w", err)
		return j.stopped
	}
	j.size, j.head, j.dirty = j.size+int64(b.Len()), head, false
	return nil
}

// short cuts a text to what a line takes, and makes it UTF-8.
func short(s string) string {
	if len(s) > maxText {
		s = s[:maxText]
	}
	return strings.ToValidUTF8(s, "")
}

// Report is what a reading found.
type Report struct {
	Head   Head
	Size   int64   // of the file, in bytes
	Breaks []Break // where the chain does not hold; at most maxBreaks of them
}

// Break is a place where the chain does not hold.
type Break struct {
	Line uint64 `json:"line"` // counted in the file, from 1
	Why  string `json:"why"`
}

// Read hands on each line, as it stands in the file and as what it tells, and checks the chain. What is written
// meanwhile is not read. A line that cannot be read is not handed on; it is one of the breaks.
func (j *Journal) Read(each func(line []byte, e Entry)) (Report, error) {
	j.mu.Lock()
	size, head := j.size, j.head
	j.mu.Unlock()
	c := chain{}
	if err := c.read(io.NewSectionReader(j.f, 0, size), each); err != nil {
		return Report{}, fmt.Errorf("access journal: %w", err)
	}
	if c.size != size || c.head != head {
		c.broken(c.lines+1, fmt.Sprintf("the journal does not end at its line %d as it was written; lines at its end are gone or changed", head.N))
	}
	for _, b := range c.breaks {
		j.cfg.Changed(b)
	}
	return Report{head, size, c.breaks}, nil
}

const (
	start     = `{"hash":"`
	hashSize  = 2 * len(events.Hash{})
	restFrom  = len(start) + hashSize + len(`",`)
	maxBreaks = 100
)

// chain follows the lines of a journal.
type chain struct {
	head   Head
	lines  uint64
	size   int64 // of the whole lines
	lost   bool  // the line before could not be read, so that nothing is known of the hash of the next one
	breaks []Break
}

func (c *chain) broken(line uint64, why string) {
	if len(c.breaks) < maxBreaks {
		c.breaks = append(c.breaks, Break{line, why})
	}
}

// read follows r up to its last line feed.
func (c *chain) read(r io.Reader, each func(line []byte, e Entry)) error {
	lines := newLines(r)
	for {
		line, size, err := lines.next()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		c.size += size
		c.lines++
		e, hash, err := decode(line)
		if err != nil {
			c.broken(c.lines, err.Error())
			c.lost, c.head.N = true, c.head.N+1
			continue
		}
		if follows := c.head.next(line[restFrom:]); !c.lost && follows != hash {
			c.broken(c.lines, fmt.Sprintf("it does not follow from the line before it (number %d): one of them was changed, taken out or put in", c.head.N))
		}
		c.head, c.lost = Head{e.N, hash}, false
		each(line, e)
	}
}

// decode reads a line without its line feed; nil is one that is too long.
func decode(line []byte) (Entry, events.Hash, error) {
	var e Entry
	if len(line) <= restFrom || string(line[:len(start)]) != start || string(line[restFrom-2:restFrom]) != `",` {
		return e, events.Hash{}, errors.New("it does not begin as a line of this journal does")
	}
	hash, err := events.ParseHash(string(line[len(start) : restFrom-2]))
	if err != nil {
		return e, events.Hash{}, err
	}
	if err := json.Unmarshal(line, &e); err != nil {
		return Entry{}, events.Hash{}, fmt.Errorf("it cannot be read: %w", err)
	}
	return e, hash, nil
}
