package journal

import (
	"errors"
	"fmt"

	"ullage/agent/journal/disk"
	"ullage/events"
)

// Sentinels, by what the caller does next.
var (
	// ErrExists is returned by Create where a journal is already.
	ErrExists = errors.New("there is a journal already")
	// ErrNone is returned by Open, OpenRead and Check where no journal was created.
	ErrNone = errors.New("there is no journal")
	// ErrLocked is in the error of Open while another holds the journal; see LockedError.
	ErrLocked = disk.ErrLocked
	// ErrVersion is returned for a journal of a format that this code does not know. Nothing of it is touched.
	ErrVersion = errors.New("the journal has a format that this version does not know")
	// ErrDamaged is in errors about bytes that are not what was written.
	ErrDamaged = errors.New("the journal is damaged")
	// ErrForeign is in errors about a segment that belongs to the journal of another device or key.
	ErrForeign = errors.New("the segment belongs to another journal")

	// ErrFrame is in the error of an Append whose frames cannot be written as they are: nothing was written.
	ErrFrame = errors.New("the frame does not fit the journal")
	// ErrFull is in the error of an Append for which the disk had no room. Nothing was kept, and the journal goes on
	// as soon as there is room.
	ErrFull = errors.New("the disk is full")
	// ErrStopped is in the error of an Append, and of every one after it, whose bytes may or may not be on the disk.
	// It wraps the cause. The journal can still be read; only opening it again tells how far it goes.
	ErrStopped = errors.New("the journal has stopped writing")
	// ErrClosed is returned for everything that is asked of a closed journal.
	ErrClosed = errors.New("the journal is closed")

	// ErrGap is in errors about records that damage has taken; see GapError.
	ErrGap = errors.New("records are missing from the journal")
	// ErrNoRecord is returned for a number that the journal has not reached, and for 0.
	ErrNoRecord = errors.New("there is no such record")
	// ErrNoGap is in the error of a Restore of records that do not fill a gap exactly.
	ErrNoGap = errors.New("the records do not fill a gap")
	// ErrChain is in the error of a Restore of records that do not fit the chain on both sides of the gap.
	ErrChain = errors.New("the records do not fit the chain")
)

// Range is the records From to To, both included; empty where To is before From.
type Range struct{ From, To events.Seq }

// none is no record, in front of seq.
func none(seq events.Seq) Range { return Range{seq, seq - 1} }

// Len is the number of records in the range.
func (r Range) Len() int {
	if r.To < r.From {
		return 0
	}
	return int(r.To-r.From) + 1
}

func (r Range) String() string {
	switch r.Len() {
	case 0:
		return "no record"
	case 1:
		return fmt.Sprintf("record %d", r.From)
	}
	return fmt.Sprintf("records %d to %d", r.From, r.To)
}

// GapError tells which records are missing where one was asked for. It is an ErrGap.
type GapError struct{ Range }

func (e *GapError) Error() string {
	return fmt.Sprintf("%s: %s, set aside as damaged", ErrGap, e.Range)
}

// Is makes the error an ErrGap.
func (e *GapError) Is(target error) bool { return target == ErrGap }

// LockedError tells who holds the journal. It is an ErrLocked.
type LockedError = disk.LockedError

// Damage is a stretch of a segment that cannot be read as what was written there.
type Damage struct {
	File    string // as it is named now
	Offset  int64  // of the first byte that cannot be read
	Size    int64  // of the stretch; 0 where bytes are missing altogether
	Records Range  // that were in it, as far as what stands around it tells; may be empty
	Why     string
}

func (d Damage) String() string {
	return fmt.Sprintf("%s, %d bytes at %d: %s (%s)", d.File, d.Size, d.Offset, d.Why, d.Records)
}

// Report tells what Open found and did.
type Report struct {
	Segments   int      // in place after opening
	CutFile    string   // the segment whose torn end was cut off; empty where none was
	CutBytes   int64    // how much was cut off
	CutRecords int      // whole records in it, which stood behind the tear and were never acknowledged
	Aside      []string // files that were set aside as damaged
	Damage     []Damage // what is wrong in them
	Finished   []string // setting aside, begun before a crash, that was finished now
	Rewritten  int64    // bytes at the end that were not proven to be on the disk, and were written again
}

// Clean tells whether there is nothing to say.
func (r Report) Clean() bool {
	return r.CutBytes == 0 && len(r.Aside) == 0 && len(r.Damage) == 0 && len(r.Finished) == 0
}
