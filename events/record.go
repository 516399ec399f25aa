package events

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"ullage/events/pack"
)

// MaxRecord is the greatest size of a record, in bytes.
const MaxRecord = 64 << 10

// MaxKey is the greatest length of the sender's own key, in bytes.
const MaxKey = 64

// Sentinels of a record's form. Errors from DecodeRecord and EncodeRecord wrap one of them.
var (
	ErrTooLarge = errors.New("the record is larger than 64 KiB")
	ErrForm     = errors.New("not the form of a record")
)

// Kind says what a record tells, as "noun.verb" in the past tense.
type Kind string

// Record is one fact. See the package comment; FORMAT.md gives the bytes.
type Record struct {
	ID      RecordID
	Device  DeviceID // the device that wrote it
	Seq     Seq      // contiguous from 1 per device
	Clock   Clock    // when it was written
	Done    Millis   // when it happened, as claimed
	Zone    int      // offset from UTC in minutes, of Done
	Site    SiteID
	Machine MachineID
	Visit   RecordID // zero for none
	By      StaffCode
	Key     string // the sender's own key; empty where none was given
	Kind    Kind
	V       int    // version of the body
	Body    []byte // canonical MessagePack, typed by Kind and V
}

const envelopeFields = 14

// EncodeRecord writes r in its canonical form. Its inverse is DecodeRecord. The error says which field has no such
// form; it wraps ErrForm or ErrTooLarge.
func EncodeRecord(r *Record) ([]byte, error) {
	if err := r.check(); err != nil {
		return nil, err
	}
	if len(r.Body) > MaxRecord {
		return nil, fmt.Errorf("%w: a body of %d bytes", ErrTooLarge, len(r.Body))
	}
	if err := checkMap(r.Body); err != nil {
		return nil, err
	}
	b := make([]byte, 0, 128+len(r.Body))
	b = pack.AppendArray(b, envelopeFields)
	b = pack.AppendBin(b, r.ID[:])
	b = pack.AppendString(b, string(r.Device))
	b = pack.AppendUint(b, uint64(r.Seq))
	b = pack.AppendUint(b, uint64(r.Clock))
	b = pack.AppendInt(b, int64(r.Done))
	b = pack.AppendInt(b, int64(r.Zone))
	b = pack.AppendString(b, string(r.Site))
	b = pack.AppendString(b, string(r.Machine))
	if r.Visit.IsZero() {
		b = pack.AppendBin(b, nil)
	} else {
		b = pack.AppendBin(b, r.Visit[:])
	}
	b = pack.AppendString(b, string(r.By))
	b = pack.AppendString(b, r.Key)
	b = pack.AppendString(b, string(r.Kind))
	b = pack.AppendUint(b, uint64(r.V))
	b = pack.AppendBin(b, r.Body)
	if len(b) > MaxRecord {
		return nil, fmt.Errorf("%w: %d bytes", ErrTooLarge, len(b))
	}
	return b, nil
}

// DecodeRecord reads the bytes of one record; its inverse is EncodeRecord, which gives the same bytes. The body is
// held to be one canonical map, but not to the fields of its kind: that is CheckForm's and DecodeBody's. The record
// shares no memory with b but for Body, which is a part of it.
//
// Errors wrap ErrTooLarge or ErrForm, and pack.ErrForm where the bytes are not canonical.
func DecodeRecord(b []byte) (Record, error) {
	if len(b) > MaxRecord {
		return Record{}, fmt.Errorf("%w: %d bytes", ErrTooLarge, len(b))
	}
	var in pack.Reader
	in.Reset(b)
	if n := in.Array(envelopeFields); in.Err() == nil && n != envelopeFields {
		in.Failf("a record has %d fields, not %d", envelopeFields, n)
	}
	// One copy of the envelope carries all its strings.
	var r Record
	id := in.Bin()
	device, seq, clock, done, zone := in.StringBytes(), in.Uint(), in.Uint(), in.Int(), in.Int()
	site, machine, visit := in.StringBytes(), in.StringBytes(), in.Bin()
	by, key, kind, v := in.StringBytes(), in.StringBytes(), in.StringBytes(), in.Uint()
	r.Body = in.Bin()
	if err := in.Done(); err != nil {
		return Record{}, fmt.Errorf("%w: %w", ErrForm, err)
	}
	if len(id) != len(r.ID) {
		return Record{}, fieldForm("id", "a UUID has 16 bytes, not %d", len(id))
	}
	if len(visit) != 0 && len(visit) != len(r.Visit) {
		return Record{}, fieldForm("visit", "a UUID has 16 bytes, not %d", len(visit))
	}
	if len(visit) > 0 && RecordID(visit).IsZero() {
		return Record{}, fieldForm("visit", "no visit is written as an empty binary")
	}
	// Before they are narrowed, which a small machine would do without a word.
	if v > 1<<16 {
		return Record{}, fieldForm("v", "%d is out of range", v)
	}
	if zone < -MaxZone || zone > MaxZone {
		return Record{}, fieldForm("zone", "%d minutes is more than a day from UTC", zone)
	}
	text := string(device) + string(site) + string(machine) + string(by) + string(key) + string(kind)
	next := func(p []byte) string {
		s := text[:len(p)]
		text = text[len(p):]
		return s
	}
	r.ID = RecordID(id)
	r.Device, r.Seq, r.Clock, r.Done, r.Zone = DeviceID(next(device)), Seq(seq), Clock(clock), Millis(done), int(zone)
	r.Site, r.Machine = SiteID(next(site)), MachineID(next(machine))
	if len(visit) > 0 {
		r.Visit = RecordID(visit)
	}
	r.By, r.Key, r.Kind, r.V = StaffCode(next(by)), next(key), Kind(next(kind)), int(v)
	if err := r.check(); err != nil {
		return Record{}, err
	}
	if err := checkMap(r.Body); err != nil {
		return Record{}, err
	}
	return r, nil
}

// checkMap holds a body to be one canonical map, of whatever kind.
func checkMap(body []byte) error {
	var in pack.Reader
	in.Reset(body)
	if in.Next() != pack.Map {
		return fieldForm("body", "a body is a map")
	}
	in.Skip(MaxDepth)
	if err := in.Done(); err != nil {
		return fmt.Errorf("%w: body: %w", ErrForm, err)
	}
	return nil
}

func fieldForm(field, format string, a ...any) error {
	return fmt.Errorf("%w: %s: %s", ErrForm, field, fmt.Sprintf(format, a...))
}

// check holds the fields of the envelope to their form, the body apart.
func (r *Record) check() error {
	if !r.ID.Valid() {
		return fieldForm("id", "%s is no UUID of version 7", r.ID)
	}
	if err := CheckIdentifier(string(r.Device)); err != nil {
		return fmt.Errorf("%w: device: %w", ErrForm, err)
	}
	if r.Seq == 0 {
		return fieldForm("seq", "numbers begin with 1")
	}
	if r.Done < MinMillis || r.Done > MaxMillis {
		return fieldForm("done", "%d ms is outside the years 1 to 9999", r.Done)
	}
	if r.Zone < -MaxZone || r.Zone > MaxZone {
		return fieldForm("zone", "%d minutes is more than a day from UTC", r.Zone)
	}
	for _, f := range [...]struct{ name, value string }{{"site", string(r.Site)}, {"machine", string(r.Machine)}, {"by", string(r.By)}} {
		if f.value == "" {
			continue
		}
		if err := CheckIdentifier(f.value); err != nil {
			return fmt.Errorf("%w: %s: %w", ErrForm, f.name, err)
		}
	}
	if len(r.Key) > MaxKey {
		return fieldForm("key", "%d bytes, at most %d are allowed", len(r.Key), MaxKey)
	}
	if !utf8.ValidString(r.Key) {
		return fieldForm("key", "a key must be valid UTF-8")
	}
	if !r.Kind.Valid() {
		return fieldForm("kind", "%q is not of the form noun.verb", r.Kind)
	}
	if r.V < 1 || r.V > 1<<16 {
		return fieldForm("v", "%d is out of range: versions begin with 1", r.V)
	}
	return nil
}

// Valid tells whether k has the form noun.verb: two words of lower-case letters and '-', at most 64 bytes.
func (k Kind) Valid() bool {
	noun, verb, ok := strings.Cut(string(k), ".")
	return ok && len(k) <= MaxIdentifier && kindWord(noun) && kindWord(verb)
}

func kindWord(s string) bool {
	for _, c := range s {
		if !(c >= 'a' && c <= 'z' || c == '-') {
			return false
		}
	}
	return s != ""
}
