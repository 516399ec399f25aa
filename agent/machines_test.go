package agent_test

import (
	"io"
	"net/http"
	"strings"
	"testing"

	"ullage/agent"
	"ullage/events"
	"ullage/events/wire"
)

// entered is the office's entry of a machine with a tank of 200 litres, 400 mm high.
func entered(t testing.TB, machine events.MachineID) wire.Pulled {
	t.Helper()
	size := func(mm float64) *float64 { return &mm }
	b, err := events.EncodeBody(&events.MachineEntered{
		Class: "sink", Tanks: []events.Tank{{Tank: "bath", Shape: "rectangular", LengthMm: size(1000), WidthMm: size(500), HeightMm: size(400)}},
	})
	if err != nil {
		t.Fatal(err)
	}
	r := events.Record{
		ID: events.NewRecordID(1, [10]byte([]byte("0123456789")[:10])), Device: "office-1", Seq: 1, Clock: 1 << 16, Done: 1,
		Site: "yard", Machine: machine, Kind: "machine.entered", V: 1, Body: b,
	}
	raw, err := events.EncodeRecord(&r)
	if err != nil {
		t.Fatal(err)
	}
	return wire.Pulled{Record: raw, Received: 2}
}

// TestPageShowsWhatStands records readings, withdraws the last one, and reads the page.
func TestPageShowsWhatStands(t *testing.T) {
	c := newCentre(t)
	c.pulls = []wire.Pulled{entered(t, "m-1")}
	dir := enrolled(t, c)
	url := running(t, dir, config())
	way, err := agent.Reach(t.Context(), dir, config())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := way.Sync(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	keep := func(line string) string {
		t.Helper()
		answers, err := way.Record(t.Context(), strings.NewReader(line))
		if err != nil {
			t.Fatal(err)
		}
		return answers[0].ID.String()
	}
	shows := func(want ...string) {
		t.Helper()
		resp, err := http.Get(url)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		defer http.DefaultClient.CloseIdleConnections()
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range want {
			if !strings.Contains(string(b), w) {
				t.Errorf("the page lacks %q:\n%s", w, b)
			}
		}
	}
	shows(`m-1<span class="small">yard</span></th><td class="number">not known`)
	keep(`{"kind":"reading.taken","done":"2026-03-02T09:00:00Z","site":"yard","machine":"m-1","by":"T1","body":{"quantity":"level","value":300,"unit":"mm","method":"dip"}}`)
	shows("150 L", "2 Mar 2026, 09:00")
	later := keep(`{"kind":"reading.taken","done":"2026-03-02T10:00:00Z","site":"yard","machine":"m-1","by":"T1","body":{"quantity":"volume","value":120,"u":1,"method":"dip"}}`)
	shows("120 L", "between 118 and 122 L")
	keep(`{"kind":"record.withdrawn","by":"T1","body":{"target":"` + later + `","why":"another machine"}}`)
	shows("150 L")
	keep(`{"kind":"reading.taken","done":"2026-03-01T10:00:00Z","site":"yard","machine":"m-9","by":"T1","body":{"quantity":"volume","value":10,"unit":"[gal_us]","method":"mark"}}`)
	shows("150 L", "m-9", "37.854 L")
	// What the tank cannot hold is no reading.
	if _, err := way.Record(t.Context(), strings.NewReader(`{"kind":"reading.taken","site":"yard","machine":"m-1","by":"T1","body":{"quantity":"volume","value":201,"method":"dip"}}`)); err == nil || !strings.Contains(err.Error(), "line 1: body.value: 201 L: the tank bath of m-1 holds at most 200.0 L") {
		t.Errorf("Record beyond the brim: %v", err)
	}
}
