// Package projections computes what records say together: what stands at a machine, where its fluid went, what was
// done and by whom.
//
// A projection is a pure fold over records in the order of events: when they happened, as claimed; then when they were
// written; then by device and number. It never depends on the order in which records arrived. What arrives late is
// folded where it belongs, and whatever earlier result it changes is told as a restatement. The same code runs at the
// centre, over the read model, and on a device, over its own records and those it has pulled.
//
// From an Arrival (a record, and when and how it came) Resolve makes Facts: each record as its corrections leave it,
// within two bounds of time. As of T means what had happened by T, as claimed; known at T means what had been received by T. The
// projections in the folders below this one fold Facts, with a Register of what stood there at the time.
//
// Nothing here knows a network, a file, a clock or a goroutine.
package projections

import "ullage/events"

// Stage says how safe a record is.
type Stage string

// The stages, each including those before it.
const (
	Kept         Stage = "kept"          // on the device's disk
	Received     Stage = "received"      // receipted: on the centre's disk
	Logged       Stage = "logged"        // in a signed checkpoint
	CrossChecked Stage = "cross-checked" // another device has checked a later checkpoint
)

// Arrival is a record as a reader holds it. A record that arrived more than once has one Arrival, its first.
type Arrival struct {
	Record   events.Record
	Hash     events.Hash
	Received events.Millis // receipt's time; for a healed range the original's; 0 while the record is only kept
	Stage    Stage
	Held     string      // why it is held; empty where it is not
	Office   bool        // written by the office
	Commit   events.Hash // hash of the message that brought it; zero while it is only kept

	// Parted is where, on the way to it, its device's chain parts from one that came before; see Branch. An Arrival without
	// a record, that is without a Hash, says of a device only that its chain does.
	Parted []events.Parting

	// Content may carry the body along, as Read gives it, for a reader that resolves the same records again and again.
	// Nobody changes it. Where it is nil, Resolve reads the body.
	Content *Content
}

// Bounds are the two clocks of a question, both inclusive.
type Bounds struct {
	AsOf    events.Millis // only what had happened by then
	KnownAt events.Millis // only what had been received by then
}

// Now bounds nothing.
var Now = Bounds{events.MaxMillis, events.MaxMillis}

// State says what became of a record.
type State string

// The states of a record.
const (
	Stands    State = "stands"
	Amended   State = "amended"
	Withdrawn State = "withdrawn"
	Held      State = "held"
	Conflict  State = "conflict"
)

// Flag tells what is odd about a record that was accepted all the same.
type Flag string

// The flags.
const (
	InFuture      Flag = "in-future"       // Done lies after the receipt; the receipt's time counts
	NotOnRegister Flag = "not-on-register" // no such machine or site on the register at that time
	NotStarted    Flag = "not-started"     // a flow from or to a vessel that was never started
	OddMeaning    Flag = "odd-meaning"     // a word outside a closed list, or a value out of range
	UnknownKind   Flag = "unknown-kind"    // kept and shown raw
	ClockOff      Flag = "clock-off"       // the clock that it was written by says a time at which it cannot have been
	NotOfLog      Flag = "not-of-log"      // a checkpoint that the public log never had
	NotOrdered    Flag = "not-ordered"     // a device says that it erased what the office has not ordered to be
)

// Fact is a record as its corrections leave it.
type Fact struct {
	*Arrival // as it was written

	State  State
	Branch Branch

	// The envelope and the body that count, after corrections.
	Done    events.Millis
	Zone    int
	Site    events.SiteID
	Machine events.MachineID
	Visit   events.RecordID
	By      events.StaffCode
	Body    events.Body // nil where the kind is unknown or the body does not decode

	At    events.Millis // its time in the fold: Done, or Received where Done lies after it
	Flags []Flag
}

// History is the answer of Resolve. Both lists may share their memory; nobody changes them.
type History struct {
	All   []Fact // every record within the bounds, in the order of the fold, in any state; what audit lists
	Facts []Fact // those that count: standing, amended (with the new content); without corrections, held and withdrawn
}
