package entry

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"ullage/events"
)

// ref is what a target names: an earlier line of this call (item), or a record that was written before.
type ref struct {
	item   *item
	target events.Target  // of an item the device only
	held   *events.Record // nil where the writer does not hold it
}

// record is what the target names; nil where it is not at hand. Of an item it lacks what numbers it.
func (r ref) record() *events.Record {
	if r.item != nil {
		return &r.item.record
	}
	return r.held
}

// resolve finds what the text of a target names: an id of this call's export, an id that the writer knows, or
// device/seq/hash.
func (s *Session) resolve(n *node) (ref, error) {
	if n.is != isString {
		return ref{}, bad("", n.shown(), "%s stands here, the id of a record should", n.is)
	}
	id, err := events.ParseRecordID(n.text)
	if err != nil {
		t, err := ParseTarget(n.text)
		if err != nil {
			return ref{}, bad("", quote(n.text), "%v", err)
		}
		return ref{target: t}, nil
	}
	if o, ok := s.old[id]; ok {
		if o.item != nil {
			return ref{item: o.item, target: events.Target{Device: s.w.Device}}, nil
		}
		id = o.id
	}
	raw, ok, err := s.w.Lookup.ByID(id)
	if err != nil {
		return ref{}, fmt.Errorf("look up record %s: %w", id, err)
	}
	if !ok {
		return ref{}, bad("", quote(n.text), "no record of this id is known here; give the id of one that is, or device/seq/hash")
	}
	r, err := events.DecodeRecord(raw)
	if err != nil {
		return ref{}, fmt.Errorf("look up record %s: %w", id, err)
	}
	return ref{target: events.Target{Device: r.Device, Seq: r.Seq, Hash: events.HashRecord(raw)}, held: &r}, nil
}

// FormatTarget names a record whose id is not known, as device/seq/hash. Its inverse is ParseTarget.
func FormatTarget(t events.Target) string {
	return string(t.Device) + "/" + strconv.FormatUint(uint64(t.Seq), 10) + "/" + t.Hash.String()
}

// ParseTarget is the inverse of FormatTarget.
func ParseTarget(s string) (events.Target, error) {
	form := errors.New("the id of a record, or device/seq/hash with the hash in 64 lower-case hexadecimal digits, should stand here")
	parts := strings.Split(s, "/")
	if len(parts) != 3 {
		return events.Target{}, form
	}
	device, err := events.ParseDeviceID(parts[0])
	if err != nil {
		return events.Target{}, form
	}
	seq, err := strconv.ParseUint(parts[1], 10, 64)
	if err != nil || seq == 0 || parts[1][0] == '0' || parts[1][0] == '+' {
		return events.Target{}, form
	}
	hash, err := events.ParseHash(parts[2])
	if err != nil {
		return events.Target{}, form
	}
	return events.Target{Device: device, Seq: events.Seq(seq), Hash: hash}, nil
}
