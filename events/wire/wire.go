// Package wire is what a device and the centre say to each other, and what the centre stores: the messages, their
// subjects, the commit record, receipts, and the streams. FORMAT.md gives the bytes.
//
// A device asks on up.<device>.<verb> and is answered in inbox.<device>.>. Each answer is an Answer: a status, and for
// the good ones a body that depends on the verb. Every message is an array in the canonical MessagePack of package
// pack, whose first element is the version; all sizes are bounded before memory is taken.
//
// The package is pure: it makes and reads bytes. Who sends them is agent's and syncd's affair.
package wire

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"ullage/events"
	"ullage/events/pack"
)

// Version stands first in every message.
const Version = 1

// Limits. A push that keeps those of its frame fits into one message of RECORDS, whatever the gate has to say of it.
const (
	MaxRecords  = 1000              // records in a push
	MaxFrame    = 512 << 10         // bytes of a request, and of the body of an answer but for a pull's
	MaxPlain    = 4 << 20           // bytes of a list of records, expanded
	MaxMessage  = 1 << 20           // bytes of an answer, and of a message in RECORDS with its headers
	MaxStored   = MaxMessage - 1024 // bytes of the data of a message in RECORDS: the rest is for the headers
	MaxSeals    = MaxRecords        // seals in a push: one a record at most
	MaxPull     = 256 << 10         // bytes of records that a pull is answered with, as long as one message fits
	MaxPulled   = 8192              // records in the answer to a pull
	MaxRanges   = 256               // ranges in one answer
	MaxPartings = 16                // partings on the way to a record
	MaxSeen     = 1 << 10           // bytes of a checkpoint's text
	MaxReceipt  = 2 << 10           // bytes of a receipt
	MaxReason   = 500               // bytes of a reason in words
	MaxWait     = 24 * 60 * 60_000  // milliseconds that an answer may ask to wait
)

const (
	maxStatus = 16       // bytes of a status
	maxList   = 16 << 10 // elements of a list whose size the business decides
	maxCommit = 2 << 20  // bytes of a commit record: as many seals and held records as a push can have
)

// Sentinels. Every error of a Decode function wraps ErrMessage.
var (
	ErrMessage = errors.New("not the form of this message")
	ErrReceipt = errors.New("the receipt's signature does not hold")
)

// Verb is what a device asks for.
type Verb string

// The verbs of this version.
const (
	Hello  Verb = "hello"
	Push   Verb = "push"
	Back   Verb = "back"
	Pull   Verb = "pull"
	Branch Verb = "branch"
)

// UpSubject is where a device asks.
func UpSubject(device events.DeviceID, verb Verb) string {
	return "up." + string(device) + "." + string(verb)
}

// ParseUp is the inverse of UpSubject.
func ParseUp(subject string) (events.DeviceID, Verb, error) {
	p := strings.Split(subject, ".")
	if len(p) != 3 || p[0] != "up" {
		return "", "", fmt.Errorf("%w: subject %q", ErrMessage, subject)
	}
	d, err := events.ParseDeviceID(p[1])
	if err != nil {
		return "", "", fmt.Errorf("%w: subject: %w", ErrMessage, err)
	}
	return d, Verb(p[2]), nil
}

// InboxPrefix begins every subject on which a device receives; the gate answers nowhere else.
func InboxPrefix(device events.DeviceID) string { return "inbox." + string(device) }

// OwnInbox tells whether reply is a subject in the inbox of device, on which one can publish.
func OwnInbox(device events.DeviceID, reply string) bool {
	rest, ok := strings.CutPrefix(reply, InboxPrefix(device)+".")
	if !ok {
		return false
	}
	for token := range strings.SplitSeq(rest, ".") {
		if token == "" || token == "*" || token == ">" || strings.ContainsFunc(token, unicode.IsSpace) {
			return false
		}
	}
	return true
}

// PushSubject is where the pushes of a device are stored.
func PushSubject(device events.DeviceID) string { return "push." + string(device) }

// ParsePush is the inverse of PushSubject.
func ParsePush(subject string) (events.DeviceID, error) {
	d, ok := strings.CutPrefix(subject, "push.")
	if !ok {
		return "", fmt.Errorf("%w: subject %q", ErrMessage, subject)
	}
	id, err := events.ParseDeviceID(d)
	if err != nil {
		return "", fmt.Errorf("%w: subject: %w", ErrMessage, err)
	}
	return id, nil
}

// BranchSubject is where the branches of a device are stored whose copies have both written: all that goes on otherwise
// than on its PushSubject.
func BranchSubject(device events.DeviceID) string { return "branch." + string(device) }

// Stream is the definition of a stream, as plain values.
type Stream struct {
	Name       string
	Subjects   []string
	MaxMsgSize int32 // bytes, headers included
	DenyDelete bool
	DenyPurge  bool
}

// The streams of this version.
var (
	Records = Stream{Name: "RECORDS", Subjects: []string{"push.*", "branch.*"}, MaxMsgSize: MaxMessage, DenyDelete: true, DenyPurge: true}
	Log     = Stream{Name: "LOG", Subjects: []string{LogSubject}, MaxMsgSize: MaxMessage, DenyDelete: true, DenyPurge: true}
	Aside   = Stream{Name: "ASIDE", Subjects: []string{"aside.*"}, MaxMsgSize: MaxMessage, DenyDelete: true, DenyPurge: true}
	// Feed is derived from RECORDS and can be made anew, for which it must be possible to empty it. No single event of it
	// can be taken out.
	Feed = Stream{Name: "FEED", Subjects: []string{"feed.*.*.*.*"}, MaxMsgSize: MaxMessage, DenyDelete: true}
)

// AsideSubject is where what a device may not write any more is kept.
func AsideSubject(device events.DeviceID) string { return "aside." + string(device) }

// LogSubject is where the public log is kept.
const LogSubject = "log"

// Place is a place in RECORDS: a sequence alone may be given out again after damage, so what stands there and which
// stream it is go with it.
type Place struct {
	Seq     uint64
	Hash    events.Hash // SHA-256 of the message's data
	Created int64       // creation of the stream, nanoseconds since 1970
}

// IsZero tells whether p is before the first message.
func (p Place) IsZero() bool { return p == Place{} }

func appendPlace(b []byte, p Place) []byte {
	b = pack.AppendArray(b, 3)
	b = pack.AppendUint(b, p.Seq)
	b = appendHash(b, p.Hash)
	return pack.AppendInt(b, p.Created)
}

func readPlace(in *pack.Reader) Place {
	fields(in, 3)
	return Place{in.Uint(), hash(in), in.Int()}
}

// Range is a stretch of a device's records, both ends included.
type Range struct{ From, To events.Seq }

func appendRange(b []byte, r Range) []byte {
	return pack.AppendUint(pack.AppendUint(b, uint64(r.From)), uint64(r.To))
}

func readRange(in *pack.Reader) Range {
	r := Range{events.Seq(in.Uint()), events.Seq(in.Uint())}
	if in.Err() == nil && (r.From < 1 || r.To < r.From) {
		in.Failf("there are no records %d to %d", r.From, r.To)
	}
	return r
}

// Status says how an answer is meant.
type Status string

// The statuses.
const (
	OK        Status = "ok"        // the body is the verb's
	Elsewhere Status = "elsewhere" // push: nothing stored, the cursor stands elsewhere; the body is a PushAnswer
	Busy      Status = "busy"      // nothing done; ask again after Wait
	Refused   Status = "refused"   // nothing stored; Reason and At say why
	Behind    Status = "behind"    // hello: the device has fewer records than the centre has of it
	Fork      Status = "fork"      // hello, push: the links differ
)

// Answer is every answer's envelope.
type Answer struct {
	Status Status
	Wait   events.Millis // Busy: how long to wait before the next try
	At     events.Seq    // Refused: the record that is the reason; 0 for none
	Reason string        // in words, as Reason makes them
	Body   []byte
}

// Encode writes a; its inverse is DecodeAnswer.
func (a Answer) Encode() []byte {
	b := pack.AppendArray(make([]byte, 0, 64+len(a.Reason)+len(a.Body)), 6)
	b = pack.AppendUint(b, Version)
	b = pack.AppendString(b, string(a.Status))
	b = pack.AppendUint(b, uint64(a.Wait))
	b = pack.AppendUint(b, uint64(a.At))
	b = pack.AppendString(b, a.Reason)
	return pack.AppendBin(b, a.Body)
}

// DecodeAnswer reads an answer, whose body is a part of b. A status that is not known here is no error.
func DecodeAnswer(b []byte) (Answer, error) {
	in, err := open(b, MaxMessage, 6)
	if err != nil {
		return Answer{}, err
	}
	a := Answer{Status: Status(text(in, maxStatus))}
	wait := in.Uint()
	if wait > MaxWait {
		in.Failf("a wait of %d ms, at most %d are allowed", wait, MaxWait)
	}
	a.Wait, a.At, a.Reason, a.Body = events.Millis(wait), events.Seq(in.Uint()), text(in, MaxReason), in.Bin()
	return whole("answer", in, a)
}

// Reason makes a text what a reason may be: valid UTF-8, and not too long.
func Reason(s string) string {
	s = strings.ToValidUTF8(s, "?")
	for len(s) > MaxReason {
		_, w := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-w]
	}
	return s
}

// open begins a message of n fields, the version included, which it reads. The version is looked at before the number
// of fields, so that a later version is told for what it is.
func open(b []byte, most, n int) (*pack.Reader, error) {
	if len(b) > most {
		return nil, fmt.Errorf("%w: %d bytes, at most %d are allowed", ErrMessage, len(b), most)
	}
	in := pack.NewReader(b)
	m := in.Array(len(b))
	if v := in.Uint(); in.Err() == nil && v != Version {
		in.Failf("version %d is not known here", v)
	}
	if in.Err() == nil && m != n {
		in.Failf("%d fields, not %d", m, n)
	}
	return in, nil
}

// whole ends a message: m, or nothing of it where there was an error.
func whole[M any](what string, in *pack.Reader, m M) (M, error) {
	if err := in.Done(); err != nil {
		var none M
		return none, fmt.Errorf("%w: %s: %w", ErrMessage, what, err)
	}
	return m, nil
}

// fields reads the header of an array of exactly n elements.
func fields(in *pack.Reader, n int) {
	if m := in.Array(n); in.Err() == nil && m != n {
		in.Failf("%d fields, not %d", m, n)
	}
}

// each reads an array of at most most elements.
func each[E any](in *pack.Reader, most int, read func(*pack.Reader) E) []E {
	var list []E
	for n := in.Array(most); n > 0 && in.Err() == nil; n-- {
		list = append(list, read(in))
	}
	return list
}

func appendHash(b []byte, h events.Hash) []byte { return pack.AppendBin(b, h[:]) }

func hash(in *pack.Reader) events.Hash {
	p := fixed(in, len(events.Hash{}))
	if p == nil {
		return events.Hash{}
	}
	return events.Hash(p)
}

// fixed reads a binary of n bytes.
func fixed(in *pack.Reader, n int) []byte {
	p := in.Bin()
	if in.Err() == nil && len(p) != n {
		in.Failf("%d bytes, not %d", len(p), n)
	}
	if in.Err() != nil {
		return nil
	}
	return p
}

// bin reads a binary of at most most bytes.
func bin(in *pack.Reader, most int) []byte {
	p := in.Bin()
	if len(p) > most {
		in.Failf("%d bytes, at most %d are allowed", len(p), most)
		return nil
	}
	return p
}

// text reads a string of at most most bytes.
func text(in *pack.Reader, most int) string {
	p := in.StringBytes()
	if len(p) > most {
		in.Failf("%d bytes, at most %d are allowed", len(p), most)
		return ""
	}
	return string(p)
}

// seq reads the number of a record, from 1.
func seq(in *pack.Reader) events.Seq {
	u := in.Uint()
	if in.Err() == nil && u == 0 {
		in.Failf("numbers of records begin with 1")
	}
	return events.Seq(u)
}

// millis reads a time of the years that a record may state.
func millis(in *pack.Reader) events.Millis {
	at := events.Millis(in.Int())
	if at < events.MinMillis || at > events.MaxMillis {
		in.Failf("%d ms is outside the years 1 to 9999", at)
		return 0
	}
	return at
}

// code reads an identifier.
func code(in *pack.Reader) string {
	s := text(in, events.MaxIdentifier)
	if in.Err() == nil {
		if err := events.CheckIdentifier(s); err != nil {
			in.Failf("%v", err)
		}
	}
	return s
}

func device(in *pack.Reader) events.DeviceID { return events.DeviceID(code(in)) }
