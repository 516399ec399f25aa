package events_test

import (
	"bytes"
	"strings"
	"testing"

	"ullage/events"
)

// FuzzDecodeRecord holds that what decodes encodes to the same bytes, record and body, that nothing panics, and that
// both readers take the same bytes for records.
func FuzzDecodeRecord(f *testing.F) {
	for _, g := range goldens(f) {
		f.Add(g.bytes)
	}
	for _, v := range badVectors(f) {
		f.Add(v.bytes)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		again := reencode(t, b)
		if again != nil && !bytes.Equal(again, b) {
			t.Errorf("%x encodes to %x", b, again)
		}
		agree(t, b)
	})
}

// FuzzDecodeBody goes at the bodies without an envelope around them.
func FuzzDecodeBody(f *testing.F) {
	var kinds []*events.Schema
	index := map[events.Kind]int{}
	for i, s := range events.Schemas() {
		kinds = append(kinds, s)
		index[s.Kind] = i
	}
	for _, g := range goldens(f) {
		r, err := events.DecodeRecord(g.bytes)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(uint8(index[r.Kind]), r.Body)
	}
	f.Fuzz(func(t *testing.T, kind uint8, b []byte) {
		s := kinds[int(kind)%len(kinds)]
		body, err := events.DecodeBody(s.Kind, s.V, b)
		if form := s.CheckForm(b); (form == nil) != (err == nil) {
			t.Fatalf("%s %x: CheckForm says %v, DecodeBody %v", s.Kind, b, form, err)
		}
		if r := sample(); len(b) < 60_000 {
			r.Kind, r.V, r.Body = s.Kind, s.V, b
			if record, err := events.EncodeRecord(&r); err == nil {
				agree(t, record)
			}
		}
		if err != nil || s.V != events.Newest(s.Kind) {
			return
		}
		_ = events.Check(body)
		events.FlowOf(body)
		again, err := events.EncodeBody(body)
		if err != nil || !bytes.Equal(again, b) {
			t.Errorf("%s: %x encodes to %x, %v", s.Kind, b, again, err)
		}
	})
}

// Identifiers, hashes and ids that are read are those that are written.
func FuzzParse(f *testing.F) {
	f.Add("tab-1")
	f.Add("018f2f6e-7b1c-7000-8000-000000000001")
	f.Add(events.Hash{1}.String())
	f.Fuzz(func(t *testing.T, s string) {
		if d, err := events.ParseDeviceID(s); err == nil && (string(d) != s || events.CheckIdentifier(s) != nil) {
			t.Errorf("%q is read as %q", s, d)
		}
		if h, err := events.ParseHash(s); err == nil && !strings.EqualFold(h.String(), s) {
			t.Errorf("%q is read as %v", s, h)
		}
		var text events.Hash
		if err := text.UnmarshalText([]byte(s)); err == nil && !strings.EqualFold(text.String(), s) {
			t.Errorf("%q is read as %v", s, text)
		}
		if id, err := events.ParseRecordID(s); err == nil && !strings.EqualFold(id.String(), s) {
			t.Errorf("%q is read as %v", s, id)
		}
	})
}
