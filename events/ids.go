package events

import (
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"
)

// ErrIdentifier is in every error about the form of an identifier.
var ErrIdentifier = errors.New("not a valid identifier")

// Identifiers of people and things stand as tokens on subjects, hence their narrow alphabet.
type (
	// DeviceID names a writing device; it is never used twice.
	DeviceID string
	// SiteID names a place where machines stand; empty where a record concerns none.
	SiteID string
	// MachineID names a machine, unique over all sites; empty where a record concerns none.
	MachineID string
	// StaffCode is the pseudonym of the person who did something.
	StaffCode string
)

// MaxIdentifier is the greatest length of an identifier, in bytes.
const MaxIdentifier = 64

// CheckIdentifier says whether s can be an identifier: 1 to 64 letters, digits, '-' and '_', but not '_' alone, which
// stands for "none" on subjects. The error wraps ErrIdentifier.
func CheckIdentifier(s string) error {
	switch {
	case s == "":
		return fmt.Errorf("%w: it is empty", ErrIdentifier)
	case len(s) > MaxIdentifier:
		return fmt.Errorf("%w: %d characters, at most %d are allowed", ErrIdentifier, len(s), MaxIdentifier)
	case s == "_":
		return fmt.Errorf("%w: %q alone stands for none", ErrIdentifier, s)
	}
	for _, c := range s {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_') {
			return fmt.Errorf("%w: %q has the character %q; letters, digits, '-' and '_' are allowed", ErrIdentifier, s, c)
		}
	}
	return nil
}

// ParseDeviceID is the inverse of DeviceID.String. Its error wraps ErrIdentifier.
func ParseDeviceID(s string) (DeviceID, error) {
	if err := CheckIdentifier(s); err != nil {
		return "", err
	}
	return DeviceID(s), nil
}

func (d DeviceID) String() string { return string(d) }

// Seq is the number of a record within its device, from 1; 0 is before the first.
type Seq uint64

// Millis is a time: milliseconds since 1970-01-01T00:00:00Z.
type Millis int64

// Bounds of a time that a record may state: the years 1 to 9999, which RFC 3339 can write.
const (
	MinMillis Millis = -62135596800000
	MaxMillis Millis = 253402300799999
)

// MillisOf rounds t down to the millisecond.
func MillisOf(t time.Time) Millis { return Millis(t.UnixMilli()) }

// Time is the time in UTC.
func (m Millis) Time() time.Time { return time.UnixMilli(int64(m)).UTC() }

// In is the time at an offset of zone minutes from UTC.
func (m Millis) In(zone int) time.Time {
	if zone == 0 {
		return m.Time()
	}
	return time.UnixMilli(int64(m)).In(time.FixedZone("", zone*60))
}

// Format writes the time as RFC 3339 at an offset of zone minutes; milliseconds only where they are not zero.
func (m Millis) Format(zone int) string {
	t := m.In(zone)
	if m%1000 == 0 {
		return t.Format("2006-01-02T15:04:05Z07:00")
	}
	return t.Format("2006-01-02T15:04:05.000Z07:00")
}

// MaxZone bounds the offset from UTC in minutes, both ways.
const MaxZone = 24*60 - 1

// Hash is a SHA-256 sum.
type Hash [32]byte

// IsZero tells whether h is no hash at all.
func (h Hash) IsZero() bool { return h == Hash{} }

// String writes h in lower-case hexadecimal.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// ParseHash is the inverse of Hash.String.
func ParseHash(s string) (Hash, error) {
	var h Hash
	if len(s) != 2*len(h) || strings.ToLower(s) != s {
		return Hash{}, fmt.Errorf("%q is no hash: 64 lower-case hexadecimal digits are", s)
	}
	if _, err := hex.Decode(h[:], []byte(s)); err != nil {
		return Hash{}, fmt.Errorf("%q is no hash: %w", s, err)
	}
	return h, nil
}

// MarshalText writes h as String does; so it stands in JSON.
func (h Hash) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, h[:]), nil }

// UnmarshalText is the inverse of MarshalText.
func (h *Hash) UnmarshalText(text []byte) error {
	x, err := ParseHash(string(text))
	if err == nil {
		*h = x
	}
	return err
}

// RecordID is a UUID of version 7 (RFC 9562, section 5.7): 48 bits of milliseconds, then random bits. The same form
// names visits.
type RecordID [16]byte

// NewRecordID builds an identifier from a time and ten random bytes, six bits of which make room for version and
// variant.
func NewRecordID(at Millis, random [10]byte) RecordID {
	var id RecordID
	for i := range 6 {
		id[i] = byte(uint64(at) >> (40 - 8*i))
	}
	copy(id[6:], random[:])
	id[6] = 0x70 | id[6]&0x0f
	id[8] = 0x80 | id[8]&0x3f
	return id
}

// IsZero tells whether id names nothing.
func (id RecordID) IsZero() bool { return id == RecordID{} }

// Valid tells whether id has the version and variant of a UUIDv7.
func (id RecordID) Valid() bool { return id[6]>>4 == 7 && id[8]>>6 == 2 }

// At is the time that the identifier was made with.
func (id RecordID) At() Millis {
	var u uint64
	for _, c := range id[:6] {
		u = u<<8 | uint64(c)
	}
	return Millis(u)
}

// String writes id in lower case, as 8-4-4-4-12 hexadecimal digits.
func (id RecordID) String() string {
	var b [36]byte
	hex.Encode(b[0:8], id[0:4])
	hex.Encode(b[9:13], id[4:6])
	hex.Encode(b[14:18], id[6:8])
	hex.Encode(b[19:23], id[8:10])
	hex.Encode(b[24:36], id[10:16])
	b[8], b[13], b[18], b[23] = '-', '-', '-', '-'
	return string(b[:])
}

// ParseRecordID is the inverse of RecordID.String; upper case is taken too, and so is any version: Valid tells whether
// it is ours.
func ParseRecordID(s string) (RecordID, error) {
	var id RecordID
	if len(s) != 36 || s[8] != '-' || s[13] != '-' || s[18] != '-' || s[23] != '-' {
		return RecordID{}, fmt.Errorf("%q is no UUID: 8-4-4-4-12 hexadecimal digits are", s)
	}
	if _, err := hex.Decode(id[:], []byte(s[0:8]+s[9:13]+s[14:18]+s[19:23]+s[24:36])); err != nil {
		return RecordID{}, fmt.Errorf("%q is no UUID: %w", s, err)
	}
	return id, nil
}
