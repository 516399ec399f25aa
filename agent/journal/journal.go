package journal

import (
	"errors"
	"fmt"
	"io"
	"sync"

	"ullage/agent/journal/disk"
	"ullage/events"
)

// Defaults and bounds of Config.
const (
	DefaultSegmentBytes = 4 << 20
	maxSegmentBytes     = 1 << 30
	roomBytes           = 256 << 10 // zeros written ahead of the records at a time
	maxAppend           = 64 << 20  // bytes of one commit
)

// Config says where a journal is. The zero values of all but Dir are useful.
type Config struct {
	Dir          string
	FS           disk.FS // the file layer; nil for that of the system
	SegmentBytes int64   // a segment is closed when it would grow beyond; 0 for DefaultSegmentBytes, at most 1 GiB
}

func (c Config) valid() (Config, error) {
	if c.Dir == "" {
		return c, errors.New("a journal needs a directory")
	}
	if c.FS == nil {
		c.FS = disk.OS{}
	}
	if c.SegmentBytes == 0 {
		c.SegmentBytes = DefaultSegmentBytes
	}
	if c.SegmentBytes < 0 || c.SegmentBytes > maxSegmentBytes {
		return c, fmt.Errorf("segments of %d bytes: 1 to %d are possible", c.SegmentBytes, int64(maxSegmentBytes))
	}
	return c, nil
}

func (c Config) dirFS() dirFS { return dirFS{c.FS, c.Dir} }

// Journal is the open journal of a device, of which there is one at a time. Its methods may be called by any number of
// goroutines.
//
// Locks are taken in the order in which they stand here; shelf.mu comes last.
type Journal struct {
	shelf
	cfg  Config
	lock io.Closer

	order sync.Mutex // held while frames are built and put in line

	writing sync.Mutex // held while the disk is written; guards what is below
	f       disk.File  // the last segment
	end     int64      // where the next frame goes
	size    int64      // length of the file; zeros from end on
	settled bool       // nothing needs to be said about what is before end
	buf     []byte

	// Guarded by shelf.mu.
	next    place  // as head, with what waits or is being written
	waiting *batch // built, to be written with the next sync
	flying  *batch // being written
	failed  int    // how many times batches were given up; whoever built on one of them must give up too
	failure error  // of the last of those times
	stop    error  // why nothing is written any more; an ErrStopped
	found   []Damage
}

// Damage is what was found in segments that were set aside since the journal was opened, in addition to the Report of
// Open.
func (j *Journal) Damage() []Damage {
	j.mu.RLock()
	defer j.mu.RUnlock()
	return append([]Damage{}, j.found...)
}

// Close ends writing, what waits included, and gives back the lock. Whatever is called afterwards returns ErrClosed.
func (j *Journal) Close() error {
	j.order.Lock()
	defer j.order.Unlock()
	j.writing.Lock()
	defer j.writing.Unlock()
	j.mu.Lock()
	if j.closed {
		j.mu.Unlock()
		return ErrClosed
	}
	b := j.waiting
	j.mu.Unlock()
	if b != nil {
		j.commit(b)
	}
	j.mu.Lock()
	j.closed = true
	j.mu.Unlock()
	j.forgetAll()
	err := j.f.Close()
	if lerr := j.lock.Close(); err == nil {
		err = lerr
	}
	return err
}

// ByID finds the record with an identifier, the newest where it was given twice. Records that damage has taken are not
// found. A record that is being written is found when it is kept: until then the call waits, also within the build of
// an Append.
func (j *Journal) ByID(id events.RecordID) (seq events.Seq, record []byte, ok bool, err error) {
	j.await(func(e entry) bool { return e.id == id })
	return j.shelf.ByID(id)
}

// ByKey finds the record with a sender's own key, as ByID does; an empty key is none.
func (j *Journal) ByKey(key string) (seq events.Seq, record []byte, ok bool, err error) {
	if key != "" {
		j.await(func(e entry) bool { return e.key == key })
	}
	return j.shelf.ByKey(key)
}

// await returns when no record for which is holds is on its way to the disk.
func (j *Journal) await(is func(entry) bool) {
	var on []*batch
	j.mu.RLock()
	for _, b := range []*batch{j.flying, j.waiting} {
		if b != nil && b.has(is) {
			on = append(on, b)
		}
	}
	j.mu.RUnlock()
	for _, b := range on {
		_ = j.settle(b) // whether it is kept now is what the caller asks next
	}
}
