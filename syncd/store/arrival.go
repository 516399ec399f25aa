package store

import (
	"encoding/binary"
	"fmt"

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
	commit   *wire.Commit
	data     []byte
	arrivals []arrival
}

// readMessage reads the data of the message at place. Records that do not decode have an empty envelope but for
// device and number: they are held, and only their bytes can be shown.
func readMessage(place wire.Place, data []byte, office func(events.DeviceID) bool) (*message, error) {
	commit, records, err := wire.DecodeStored(data)
	if err != nil {
		return nil, fmt.Errorf("message %d: %w", place.Seq, err)
	}
	m := &message{place: place, commit: commit, data: data, arrivals: make([]arrival, len(records))}
	received := commit.Received
	if len(commit.Original) > 0 {
		original, err := wire.DecodeReceipt(commit.Original)
		if err != nil {
			return nil, fmt.Errorf("message %d: original receipt: %w", place.Seq, err)
		}
		received = original.Received
	}
	byOffice := office(commit.Device)
	contents := make([]projections.Content, len(records))
	held := commit.Held
	for i, raw := range records {
		a := &m.arrivals[i]
		seq := commit.Range.From + events.Seq(i)
		a.push, a.place, a.raw = place.Seq, i, raw
		a.Hash, a.Received, a.Stage, a.Office, a.Commit = events.HashRecord(raw), received, projections.Received, byOffice, place.Hash
		if len(held) > 0 && held[0].Seq == seq {
			a.Held = held[0].Reason
			held = held[1:]
		}
		if a.Record, err = events.DecodeRecord(raw); err != nil {
			if a.Held == "" {
				return nil, fmt.Errorf("message %d: record %d is not held and does not decode: %w", place.Seq, seq, err)
			}
			a.Record = events.Record{Device: commit.Device, Seq: seq, Body: raw}
			continue
		}
		contents[i] = projections.Read(a.Record.Kind, a.Record.V, a.Record.Body)
		a.Content = &contents[i]
	}
	return m, nil
}

// times are the least and the greatest time in the ids of the records.
func (m *message) times() (low, high events.Millis) {
	for i, a := range m.arrivals {
		at := a.Record.ID.At()
		if i == 0 {
			low, high = at, at
		}
		low, high = min(low, at), max(high, at)
	}
	return low, high
}

// places are written as uvarint steps, each from the one before.
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
			return nil, fmt.Errorf("places of a history are damaged")
		}
		at += int(step)
		places = append(places, at)
		b = b[n:]
	}
	return places, nil
}
