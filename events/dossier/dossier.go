package dossier

import (
	"crypto/ed25519"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"ullage/events"
	"ullage/events/wire"
)

// ErrRefused is in every error about a file of which nothing can be said: it is not in the form of a dossier, or its
// parts are not those that its manifest lists.
var ErrRefused = errors.New("this is no dossier that can be checked")

// Name names a record by its device and number. Its text is device/seq.
type Name struct {
	Device events.DeviceID
	Seq    events.Seq
}

func (n Name) String() string { return string(n.Device) + "/" + strconv.FormatUint(uint64(n.Seq), 10) }

// ParseName is the inverse of Name.String.
func ParseName(s string) (Name, error) {
	device, number, _ := strings.Cut(s, "/")
	id, err := events.ParseDeviceID(device)
	if err != nil {
		return Name{}, err
	}
	seq, err := strconv.ParseUint(number, 10, 64)
	n := Name{id, events.Seq(seq)}
	if err != nil || seq == 0 || n.String() != s {
		return Name{}, fmt.Errorf("%.100q names no record: device/number does", s)
	}
	return n, nil
}

// MarshalText writes n as String does.
func (n Name) MarshalText() ([]byte, error) { return []byte(n.String()), nil }

// UnmarshalText is the inverse of MarshalText.
func (n *Name) UnmarshalText(text []byte) error {
	x, err := ParseName(string(text))
	if err == nil {
		*n = x
	}
	return err
}

// Hex is bytes that stand in JSON as lower-case hexadecimal digits.
type Hex []byte

// MarshalText writes h.
func (h Hex) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, h), nil }

// UnmarshalText is the inverse of MarshalText.
func (h *Hex) UnmarshalText(text []byte) error {
	b, err := hex.DecodeString(string(text))
	if err == nil {
		*h = b
	}
	return err
}

// Part says why a record is shown.
type Part string

// The parts.
const (
	Subject Part = "subject" // it is of the visit, or of the machine and the time, that the dossier is about
	Related Part = "related" // it corrects or admits a record that is shown, or a shown one corrects or admits it
	Key     Part = "key"     // it says which key a device of the dossier had, and when
	Seen    Part = "seen"    // a device tells that it has checked a checkpoint of the log; what comes later is younger
	Erasure Part = "erasure" // the office tells that evidence was erased
)

// About says what a dossier is about: a visit, or a machine and a time.
type About struct {
	Made    events.Millis
	Visit   events.RecordID  // zero for none
	Machine events.MachineID // empty for none
	From    events.Millis    // of a machine: records that happened, as claimed, from here
	To      events.Millis    // to here, both included
}

// Record is a record that is shown.
type Record struct {
	Part Part
	Held string // why it is held; empty where it is not
	Raw  []byte // its bytes
}

// Chain is what is shown of a device's chain.
type Chain struct {
	Device    events.DeviceID `json:"device"`
	Stretches []Stretch       `json:"stretches"` // ascending, apart from each other
}

// Stretch is a number of records that follow each other. The last is sealed.
type Stretch struct {
	Before events.Seq    `json:"before"` // the number before the first record
	Link   events.Hash   `json:"link"`   // of the chain there
	Hashes []events.Hash `json:"hashes"` // of the records, shown or not
	Seals  []Seal        `json:"seals"`  // ascending
}

// End is the number of the last record.
func (s *Stretch) End() events.Seq { return s.Before + events.Seq(len(s.Hashes)) }

// Seal is an events.Seal.
type Seal struct {
	Seq       events.Seq `json:"seq"`
	Seen      string     `json:"seen"`
	Signature Hex        `json:"signature"`
}

// Receipt is a wire.Receipt.
type Receipt struct {
	Device     events.DeviceID `json:"device"`
	First      events.Seq      `json:"first"`
	Last       events.Seq      `json:"last"`
	Link       events.Hash     `json:"link"`
	Received   events.Millis   `json:"received"`
	Place      Place           `json:"place"`
	Checkpoint string          `json:"checkpoint"`
	Gate       events.DeviceID `json:"gate"`
	Signature  Hex             `json:"signature"`
}

// Place is a wire.Place.
type Place struct {
	Seq     uint64      `json:"seq"`
	Hash    events.Hash `json:"hash"`
	Created int64       `json:"created,string"`
}

// ReceiptOf is the form of r in a dossier.
func ReceiptOf(r *wire.Receipt) Receipt {
	return Receipt{r.Device, r.First, r.Last, r.Link, r.Received, Place{r.Place.Seq, r.Place.Hash, r.Place.Created}, r.Checkpoint, r.Gate, r.Signature}
}

func (r *Receipt) verify(key ed25519.PublicKey) error {
	w := wire.Receipt{
		Device: r.Device, First: r.First, Last: r.Last, Link: r.Link, Received: r.Received,
		Place: wire.Place{Seq: r.Place.Seq, Hash: r.Place.Hash, Created: r.Place.Created}, Checkpoint: r.Checkpoint, Gate: r.Gate, Signature: r.Signature,
	}
	return w.Verify(key)
}

// Log is what is shown of the public log.
type Log struct {
	Checkpoint string       `json:"checkpoint"` // signed
	Leaves     []Leaf       `json:"leaves"`     // one for each record that is shown
	Seen       []Checkpoint `json:"seen"`       // one for each record that tells of a checkpoint of this log
}

// Leaf is the place of a record in the log.
type Leaf struct {
	Record Name          `json:"record"`
	Index  uint64        `json:"index"`
	Proof  []events.Hash `json:"proof"`
}

// Checkpoint is an earlier state of the log, of which a device has written.
type Checkpoint struct {
	Record    Name          `json:"record"`   // that tells of it
	Received  events.Millis `json:"received"` // when the log's last leaf in it was; it did not exist before
	Extension []events.Hash `json:"extension"`
}

// Keys are those that are taken on the word of the log. The keys of devices stand in records.
type Keys struct {
	Log     string `json:"log"` // NAME+12345678+BASE64
	Gates   []Held `json:"gates"`
	Offices []Held `json:"offices"` // the first sealing keys of the office's devices
}

// Held is a key and who holds it.
type Held struct {
	Device events.DeviceID `json:"device"`
	Key    Hex             `json:"key"`
}

// State says what became of a piece of evidence.
type State string

// The states.
const (
	Here   State = "here"         // it is in the dossier
	Away   State = "digest-only"  // the centre holds it, and it did not go out
	NotYet State = "not-yet-here" // the centre does not hold it
	Erased State = "erased"
)

// Evidence is a piece that a shown record names.
type Evidence struct {
	Digest  events.Digest
	State   State
	Salt    [32]byte // of a piece that is here
	Piece   []byte   // likewise
	Erasure Name     // of one that was erased: the record that tells so
}

// Dossier is all that Make writes.
type Dossier struct {
	About    About
	Records  []Record
	Chains   []Chain
	Receipts []Receipt
	Log      Log
	Keys     Keys
	Evidence []Evidence
}
