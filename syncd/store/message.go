package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"

	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
)

// arrival is a record, where it stands and its bytes.
type arrival struct {
	projections.Arrival
	push  uint64 // sequence of the message
	place int    // in the message, from 0
	raw   []byte
}

// message is one message of RECORDS, read.
type message struct {
	place    wire.Place
	data     []byte
	unread   error // why it cannot be read; then there is nothing below
	commit   *wire.Commit
	arrivals []arrival
	touches  []touch // filled by sort
}

// readMessage reads the data of the message at place. A record that does not decode, or that says it is another one
// than the commit record has in its place, has an empty envelope but for device and number: it is held, and only its
// bytes can be shown.
func readMessage(place wire.Place, data []byte, office func(events.DeviceID) bool) (*message, error) {
	return readSome(place, data, office, nil)
}

// readSome reads a message, but of its records only those at the places that are wanted; nil wants all. Those that are
// not read are zero.
func readSome(place wire.Place, data []byte, office func(events.DeviceID) bool, wanted []int) (*message, error) {
	commit, records, err := wire.DecodeStored(data)
	if err != nil {
		return nil, err
	}
	received := commit.Received
	if len(commit.Original) > 0 {
		original, err := wire.DecodeReceipt(commit.Original)
		if err != nil {
			return nil, fmt.Errorf("original receipt: %w", err)
		}
		received = original.Received
	}
	m := &message{place: place, data: data, commit: commit, arrivals: make([]arrival, len(records))}
	byOffice := office(commit.Device)
	if wanted == nil {
		wanted = make([]int, len(records))
		for i := range wanted {
			wanted[i] = i
		}
	}
	contents := make([]projections.Content, len(wanted))
	for n, i := range wanted {
		if i >= len(records) {
			return nil, fmt.Errorf("there is no record %d in it", i)
		}
		raw, a := records[i], &m.arrivals[i]
		seq := commit.Range.From + events.Seq(i)
		a.push, a.place, a.raw = place.Seq, i, raw
		a.Hash, a.Received, a.Stage, a.Office, a.Commit = events.HashRecord(raw), received, projections.Received, byOffice, place.Hash
		a.Parted = commit.Parted
		a.Record, err = events.DecodeRecord(raw)
		if err == nil && (a.Record.Device != commit.Device || a.Record.Seq != seq) {
			err = fmt.Errorf("it says that it is record %d of %s", a.Record.Seq, a.Record.Device)
		}
		if err != nil {
			a.Record, a.Held = events.Record{Device: commit.Device, Seq: seq, Body: raw}, err.Error()
			continue
		}
		contents[n] = projections.Read(a.Record.Kind, a.Record.V, a.Record.Body)
		a.Content = &contents[n]
	}
	for _, h := range commit.Held {
		m.arrivals[h.Seq-commit.Range.From].Held = h.Reason
	}
	return m, nil
}

// kept is a copy of a record for those who remember it. One that shared memory with its message would hold on to all of
// the message, and a history of a thousand records can come from a thousand messages.
func kept(a *projections.Arrival) *projections.Arrival {
	k := &struct {
		projections.Arrival
		content projections.Content
	}{Arrival: *a}
	k.Record.Body = bytes.Clone(a.Record.Body)
	switch {
	case a.Content == nil:
		return &k.Arrival
	case a.Record.Kind == events.KindAmended: // its body has a part of the bytes
		k.content = projections.Read(a.Record.Kind, a.Record.V, k.Record.Body)
	default:
		k.content = *a.Content
	}
	k.Content = &k.content
	return &k.Arrival
}

func allKept(records []*projections.Arrival) []*projections.Arrival {
	all := make([]*projections.Arrival, len(records))
	for i, a := range records {
		all[i] = kept(a)
	}
	return all
}

// times are the least and the greatest time in the ids of the records.
func (m *message) times() (low, high events.Millis) {
	low = events.MaxMillis
	for i := range m.arrivals {
		if id := m.arrivals[i].Record.ID; !id.IsZero() {
			low, high = min(low, id.At()), max(high, id.At())
		}
	}
	return low, high
}

// touch says which records of a message belong to a history by what they say themselves.
type touch struct {
	key    string
	places []int // ascending
}

// sort finds the histories that the records belong to, ascending by key. Records that follow each other mostly concern
// the same machine, visit and site, whose histories are then at hand.
func (m *message) sort() {
	found := map[projections.Key]*touch{}
	of := func(k projections.Key) *touch {
		t := found[k]
		if t == nil {
			t = &touch{key: k.String()}
			found[k] = t
		}
		return t
	}
	var last envelope
	var at []*touch
	for i := range m.arrivals {
		r := &m.arrivals[i].Record
		if e := (envelope{r.Site, r.Machine, r.Visit}); i == 0 || e != last {
			last, at = e, at[:0]
			for _, k := range e.keys() {
				at = append(at, of(k))
			}
		}
		for _, t := range at {
			t.add(i)
		}
		for _, k := range bodyKeys(&m.arrivals[i].Arrival) {
			of(k).add(i)
		}
	}
	m.touches = make([]touch, 0, len(found))
	for _, t := range found {
		m.touches = append(m.touches, *t)
	}
	slices.SortFunc(m.touches, func(a, b touch) int { return strings.Compare(a.key, b.key) })
}

func (t *touch) add(place int) {
	if n := len(t.places); n == 0 || t.places[n-1] != place {
		t.places = append(t.places, place)
	}
}

// appendPlaces writes ascending places as uvarint steps, each from the one before; its inverse is readPlaces.
func appendPlaces(b []byte, places []int) []byte {
	last := 0
	for _, p := range places {
		b = binary.AppendUvarint(b, uint64(p-last))
		last = p
	}
	return b
}

func readPlaces(b []byte) ([]int, error) {
	var places []int
	at := 0
	for len(b) > 0 {
		step, n := binary.Uvarint(b)
		if n <= 0 || step > wire.MaxRecords {
			return nil, errors.New("places of a history are damaged")
		}
		at += int(step)
		places = append(places, at)
		b = b[n:]
	}
	return places, nil
}
