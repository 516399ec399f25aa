package store

import (
	"bytes"
	"testing"

	"ullage/events"
	"ullage/events/wire"
)

// A message of the stream is read, or is not; what is read has as many arrivals as its commit record tells.
func FuzzMessage(f *testing.F) {
	for _, m := range run(f, 50, 1).messages {
		f.Add(m.data)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := readMessage(wire.Place{Seq: 1, Hash: events.Hash{1}}, b, func(events.DeviceID) bool { return false })
		if err == nil && uint64(len(m.arrivals)) != uint64(m.commit.Range.To-m.commit.Range.From)+1 {
			t.Errorf("%d arrivals of %+v", len(m.arrivals), m.commit.Range)
		}
	})
}

// Places of a history are written in one way.
func FuzzPlaces(f *testing.F) {
	f.Add(appendPlaces(nil, []int{0, 3, 999}))
	f.Add([]byte{0x80, 0x00})
	f.Fuzz(func(t *testing.T, b []byte) {
		places, err := readPlaces(b)
		if err != nil {
			return
		}
		if again := appendPlaces(nil, places); len(again) > len(b) || len(again) == len(b) && !bytes.Equal(again, b) {
			t.Errorf("%x is read as %v, which is %x", b, places, again)
		}
	})
}
