package entry

import (
	"errors"
	"sync"

	"ullage/events"
)

// Limits of what is read.
const (
	MaxLine  = 1 << 20   // bytes of one line
	MaxInput = 256 << 20 // bytes of all lines of one call of Record
	MaxLines = 1_000_000 // lines of one call of Record
	MaxPlain = 64 << 10  // bytes of one text that becomes evidence
	maxDepth = 16        // of nested objects and lists, in the text of a line
)

// Batch is what is appended at once: records in the order of their numbers, and the seals over some of them.
type Batch struct {
	Records [][]byte
	Seals   []events.Seal
}

// Appender is the journal as a Writer needs it. Append calls build with the end of the chain while nobody else can
// append, writes what build returns, and returns when all of it is on the disk. Where build or the writing fails,
// nothing is written. The head that it returns is the new end.
type Appender interface {
	Append(build func(head events.Head) (Batch, error)) (events.Head, error)
}

// Lookup finds records by what lines say of them. A Writer does not call it from within Append.
type Lookup interface {
	// ByID finds a record that the writer holds, its own or another's.
	ByID(events.RecordID) (record []byte, ok bool, err error)
	// ByKey finds the writer's own record with that key.
	ByKey(key string) (record []byte, ok bool, err error)
	// Corrections are the corrections of a record which the writer holds, in any order.
	Corrections(of events.Target) ([][]byte, error)
}

// Evidence keeps texts that do not belong into a record.
type Evidence interface {
	// Keep keeps a piece durably and returns its digest, under a fresh salt.
	Keep(plain []byte) (events.Digest, error)
	// Text returns a piece; ok is false where it is not held, or is no text.
	Text(events.Digest) (plain []byte, ok bool, err error)
	// Same tells whether plain, under the salt that is kept for d, has the digest d; false where d is not held.
	Same(d events.Digest, plain []byte) (bool, error)
}

// Writer makes the records of one device. Its methods may be called at the same time; they take turns.
type Writer struct {
	Device events.DeviceID
	Office bool                    // a device of the office, which may write every kind
	Now    func() events.Millis    // the machine's clock
	Zone   func(events.Millis) int // the machine's offset from UTC in minutes at a time, where a line has no done
	Random func([]byte) error      // fills with random bytes

	Journal  Appender
	Lookup   Lookup
	Evidence Evidence

	// Seal signs the chain at seq, where its link is link; nil where nothing is sealed.
	Seal func(seq events.Seq, link events.Hash) events.Seal

	// Judge holds a record against the register, before it is written: the record has no ID, Seq, Clock and Body yet,
	// and digests in the body are not yet the right ones. Flags are told and change nothing. An error that is a
	// *events.FieldError, its path counted from the line ("machine", "body.position"), makes the line bad; any other
	// ends the call. May be nil.
	Judge func(*events.Record, events.Body) (flags []string, err error)
	// Begin tells Judge that a new call begins, or that the last line it judged in a stream is decided: what it
	// remembered of lines that are not in the journal yet counts no more. May be nil.
	Begin func()

	mu sync.Mutex // one call at a time, so that what a call looked up still holds when it appends
}

func (w *Writer) check() error {
	if w.Now == nil || w.Zone == nil || w.Random == nil || w.Journal == nil || w.Lookup == nil || w.Evidence == nil {
		return errors.New("entry: a Writer needs Now, Zone, Random, Journal, Lookup and Evidence")
	}
	return events.CheckIdentifier(string(w.Device))
}

func (w *Writer) newID(at events.Millis) (events.RecordID, error) {
	var random [10]byte
	if err := w.Random(random[:]); err != nil {
		return events.RecordID{}, err
	}
	return events.NewRecordID(at, random), nil
}
