package store

import (
	"fmt"
	"runtime"
	"testing"
	"time"

	"ullage/events"
	"ullage/events/wire"
)

// scattered writes messages each of which has a record for every one of many machines.
func scattered(t testing.TB, messages, machines int) []*message {
	t.Helper()
	p := newPad(t, "tab-00")
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	var all []*message
	for n := range messages {
		for k := range 1000 {
			p.write(at, on{site: "s-1", machine: events.MachineID(fmt.Sprintf("m-%d", k%machines)), by: "T1"}, &events.FluidAdded{From: "van", To: "bath", Product: "BF-A", Volume: 5})
		}
		data := p.commit(1000*n, 1000*(n+1), events.MillisOf(at), events.MillisOf(at))
		m, err := readMessage(wire.Place{Seq: uint64(n + 1), Hash: wire.HashData(data), Created: 1}, data, byOffice)
		if err != nil {
			t.Fatal(err)
		}
		m.sort()
		all = append(all, m)
	}
	return all
}

// TestMemory: what an engine remembers of a machine must not hold on to the whole of each message that a record of it
// came in, still less a copy of its own of each.
func TestMemory(t *testing.T) {
	s := open(t, t.TempDir())
	defer shut(t, s)
	const records = 40_000
	messages := scattered(t, records/1000, 100)
	write := func(all []*message) *engine {
		e, err := newEngine(s.model, s.cfg.Log)
		if err != nil {
			t.Fatal(err)
		}
		if err := e.apply(all); err != nil {
			t.Fatal(err)
		}
		return e
	}
	if err := write(messages[:len(messages)-1]).close(); err != nil {
		t.Fatal(err)
	}
	last := []*message{messages[len(messages)-1]}
	messages = nil
	// As after a start: nothing is remembered, few messages are, and the next one concerns every machine.
	s.model.pushes = newLRU[uint64, []arrival](2000)
	before := heap()
	e := write(last)
	defer e.close()
	grown := heap() - before
	if n := e.machines.order.Len(); n != 100 {
		t.Fatalf("%d machines are remembered, want 100", n)
	}
	runtime.KeepAlive(e)
	runtime.KeepAlive(last)
	if per := grown / records; per > 3000 {
		t.Errorf("%d bytes are remembered of each record, %d MB in all", per, grown>>20)
	} else {
		t.Logf("%d bytes are remembered of each record", per)
	}
}

// heap is what is in use once all that can be freed is.
func heap() int {
	var m runtime.MemStats
	for range 3 {
		runtime.GC()
	}
	runtime.ReadMemStats(&m)
	return int(m.HeapAlloc)
}
