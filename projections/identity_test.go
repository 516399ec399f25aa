package projections_test

import (
	"testing"

	"ullage/events"
	"ullage/projections"
)

// What is no record says nothing of who wrote it: the same bytes of two devices are two of them.
func TestTheSameBytesOfTwoDevices(t *testing.T) {
	raw := []byte{0xc1}
	var all []projections.Arrival
	for _, device := range []events.DeviceID{"tab-1", "tab-2", "tab-1"} {
		all = append(all, projections.Arrival{
			Record: events.Record{Device: device, Seq: 1, Body: raw}, Hash: events.HashRecord(raw), Received: 1, Held: "not a record",
		})
	}
	if got := projections.Resolve(all, projections.Now).All; len(got) != 2 || got[0].Record.Device != "tab-1" || got[1].Record.Device != "tab-2" {
		t.Errorf("%d records, want one of each device: %+v", len(got), got)
	}
}
