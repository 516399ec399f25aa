package agent

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"sync"

	"ullage/events"
	"ullage/events/wire"
)

// copies holds what the centre has sent of others' records: the register, and the records of the device's machines. It
// is disposable. The file is the header, then frames: length (uint32, little-endian), CRC-32C of what follows, type,
// payload. A record's payload is wire.AppendPulled's; a stand's is the request for what comes after, which is what an
// answer leaves behind it. What an answer brought counts once its stand is there; whatever follows the last readable
// stand is cut off on opening, and fetched again.
//
// In memory are an index and the stand, not the records.
type copies struct {
	path string

	mu    sync.RWMutex
	file  *os.File
	size  int64 // up to the end of the last stand
	stand wire.PullRequest
	index map[events.RecordID]extent
	over  map[events.Hash][]extent // corrections, by the hash of their target
}

// extent is where a payload lies in the file.
type extent struct {
	at int64
	n  uint32
}

const (
	copiesHeader = "ullage.pulled.1\n"
	frameHead    = 9

	frameRecord byte = 1
	frameStand  byte = 2
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// openCopies opens the copies in a folder, and begins at nothing where there are none.
func openCopies(folder string) (*copies, error) {
	if err := system.MkdirAll(folder); err != nil {
		return nil, err
	}
	c := &copies{path: filepath.Join(folder, "copies")}
	f, err := os.OpenFile(c.path, os.O_RDWR, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return c, c.begin(nil)
	}
	if err != nil {
		return nil, err
	}
	c.clear()
	c.file = f
	head := make([]byte, len(copiesHeader))
	if _, err := io.ReadFull(f, head); err != nil || string(head) != copiesHeader {
		return c, c.begin(nil)
	}
	c.size = int64(len(head))
	if err := c.load(); err != nil {
		f.Close()
		return nil, err
	}
	return c, f.Truncate(c.size)
}

func (c *copies) clear() {
	c.stand, c.index, c.over = wire.PullRequest{}, map[events.RecordID]extent{}, map[events.Hash][]extent{}
}

// load reads the file up to the last stand before anything that cannot be read.
func (c *copies) load() error {
	at := c.size
	in := bufio.NewReaderSize(io.NewSectionReader(c.file, at, math.MaxInt64-at), 64<<10)
	var unsettled []func() // what the next stand makes count
	for {
		kind, payload, err := readFrame(in)
		if err != nil { // the end, torn or not
			return nil
		}
		where := extent{at + frameHead, uint32(len(payload))}
		at += frameHead + int64(len(payload))
		switch kind {
		case frameRecord:
			p, err := wire.DecodePulled(payload)
			if err != nil {
				return nil
			}
			r, err := events.DecodeRecord(p.Record)
			if err != nil {
				return nil
			}
			unsettled = append(unsettled, func() { c.note(&r, where) })
		case frameStand:
			q, err := wire.DecodePull(payload)
			if err != nil {
				return nil
			}
			for _, settle := range unsettled {
				settle()
			}
			unsettled, c.stand, c.size = unsettled[:0], q, at
		default:
			return nil
		}
	}
}

// note puts a record into the index.
func (c *copies) note(r *events.Record, where extent) {
	c.index[r.ID] = where
	if target, ok := corrected(r); ok {
		c.over[target.Hash] = append(c.over[target.Hash], where)
	}
}

// corrected is the target of an amendment or a withdrawal.
func corrected(r *events.Record) (events.Target, bool) {
	if r.Kind == events.KindAdmitted {
		return events.Target{}, false
	}
	target, ok, err := events.CorrectionOf(r)
	return target, ok && err == nil
}

// begin starts a new file that holds what keep gives, and puts it in the place of the old one.
func (c *copies) begin(keep []byte) error {
	next := append([]byte(copiesHeader), keep...)
	if err := writeFile(c.path, next); err != nil {
		return err
	}
	f, err := os.OpenFile(c.path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	if c.file != nil {
		c.file.Close()
	}
	c.clear()
	c.file, c.size = f, int64(len(copiesHeader))
	return c.load()
}

// take adds what an answer to a pull brings: all of it, or nothing. Records that do not decode are left out, and
// counted in the first result.
func (c *copies) take(a *wire.PullAnswer) (odd int, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if a.Reset || len(a.Drop) > 0 {
		kept, err := c.without(a)
		if err != nil {
			return 0, err
		}
		if err := c.begin(kept); err != nil {
			return 0, err
		}
	}
	var b []byte
	type added struct {
		r     events.Record
		where extent
	}
	var news []added
	for _, p := range a.Records {
		r, err := events.DecodeRecord(p.Record)
		if err != nil {
			odd++
			continue
		}
		if c.holds(r.ID, p.Record) {
			continue
		}
		payload := wire.AppendPulled(nil, p)
		news = append(news, added{r, extent{c.size + int64(len(b)) + frameHead, uint32(len(payload))}})
		b = appendFrame(b, frameRecord, payload)
	}
	stand := wire.PullRequest{Place: a.Place, Copies: mergeCopies(c.stand.Copies, a.Copies)}
	b = appendFrame(b, frameStand, stand.Encode())
	if _, err := c.file.WriteAt(b, c.size); err != nil {
		return 0, err
	}
	c.size += int64(len(b))
	for _, n := range news {
		c.note(&n.r, n.where)
	}
	c.stand = stand
	return odd, nil
}

// without is what is kept of the file when an answer drops machines, or everything.
func (c *copies) without(a *wire.PullAnswer) ([]byte, error) {
	if a.Reset {
		return nil, nil
	}
	gone := map[events.MachineID]bool{}
	for _, m := range a.Drop {
		gone[m] = true
	}
	var b []byte
	err := c.scan(func(p wire.Pulled, r *events.Record) error {
		if !gone[r.Machine] {
			b = appendFrame(b, frameRecord, wire.AppendPulled(nil, p))
		}
		return nil
	})
	stand := wire.PullRequest{Place: c.stand.Place}
	for _, k := range c.stand.Copies {
		if !gone[k.Machine] {
			stand.Copies = append(stand.Copies, k)
		}
	}
	return appendFrame(b, frameStand, stand.Encode()), err
}

// mergeCopies is what stands of each machine after an answer.
func mergeCopies(old, news []wire.Copy) []wire.Copy {
	merged := append([]wire.Copy(nil), old...)
next:
	for _, n := range news {
		for i := range merged {
			if merged[i].Machine == n.Machine {
				merged[i] = n
				continue next
			}
		}
		merged = append(merged, n)
	}
	return merged
}

// standing is the request for what comes next.
func (c *copies) standing() wire.PullRequest {
	c.mu.RLock()
	defer c.mu.RUnlock()
	return c.stand
}

// holds tells whether exactly this record is held already.
func (c *copies) holds(id events.RecordID, record []byte) bool {
	where, ok := c.index[id]
	if !ok {
		return false
	}
	p, err := c.read(where)
	return err == nil && bytes.Equal(p.Record, record)
}

func (c *copies) read(where extent) (wire.Pulled, error) {
	b := make([]byte, where.n)
	if _, err := c.file.ReadAt(b, where.at); err != nil {
		return wire.Pulled{}, err
	}
	return wire.DecodePulled(b)
}

// byID finds a copy.
func (c *copies) byID(id events.RecordID) (record []byte, ok bool, err error) {
	c.mu.RLock()
	defer c.mu.RUnlock()
	where, ok := c.index[id]
	if !ok {
		return nil, false, nil
	}
	p, err := c.read(where)
	return p.Record, err == nil, err
}

// corrections are the copies of corrections of a record.
func (c *copies) corrections(of events.Target) ([][]byte, error) {
	c.mu.RLock()
	defer c.mu.RUnlock()
	var found [][]byte
	for _, where := range c.over[of.Hash] {
		p, err := c.read(where)
		if err != nil {
			return nil, err
		}
		found = append(found, p.Record)
	}
	return found, nil
}

// each gives every copy, in the order in which they came.
func (c *copies) each(visit func(wire.Pulled, *events.Record) error) error {
	c.mu.RLock()
	defer c.mu.RUnlock()
	return c.scan(visit)
}

func (c *copies) scan(visit func(wire.Pulled, *events.Record) error) error {
	in := bufio.NewReaderSize(io.NewSectionReader(c.file, int64(len(copiesHeader)), c.size-int64(len(copiesHeader))), 64<<10)
	for {
		kind, payload, err := readFrame(in)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("%s: %w", c.path, err)
		}
		if kind != frameRecord {
			continue
		}
		p, err := wire.DecodePulled(payload)
		if err != nil {
			return fmt.Errorf("%s: %w", c.path, err)
		}
		r, err := events.DecodeRecord(p.Record)
		if err != nil {
			return fmt.Errorf("%s: %w", c.path, err)
		}
		if err := visit(p, &r); err != nil {
			return err
		}
	}
}

func (c *copies) close() error { return c.file.Close() }

// appendFrame appends a frame; its inverse is readFrame.
func appendFrame(b []byte, kind byte, payload []byte) []byte {
	b = binary.LittleEndian.AppendUint32(b, uint32(len(payload)))
	sum := crc32.Update(crc32.Checksum([]byte{kind}, castagnoli), castagnoli, payload)
	b = binary.LittleEndian.AppendUint32(b, sum)
	return append(append(b, kind), payload...)
}

var errFrame = errors.New("a frame that is not whole")

// readFrame reads the next frame. Errors: io.EOF at the end, errFrame where none stands whole.
func readFrame(in io.Reader) (kind byte, payload []byte, err error) {
	var head [frameHead]byte
	if _, err := io.ReadFull(in, head[:]); err != nil {
		if errors.Is(err, io.EOF) {
			return 0, nil, io.EOF
		}
		return 0, nil, errFrame
	}
	n := binary.LittleEndian.Uint32(head[:])
	if n > wire.MaxMessage {
		return 0, nil, errFrame
	}
	payload = make([]byte, n)
	if _, err := io.ReadFull(in, payload); err != nil {
		return 0, nil, errFrame
	}
	sum := crc32.Update(crc32.Checksum(head[8:], castagnoli), castagnoli, payload)
	if sum != binary.LittleEndian.Uint32(head[4:]) {
		return 0, nil, errFrame
	}
	return head[8], payload, nil
}
