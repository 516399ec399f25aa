package dossier_test

import (
	"crypto/ed25519"
	"crypto/rand"
	"log/slog"
	"testing"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/dossier"
	"ullage/syncd/gate"
)

// A name that goes on where another ends stands before it among the members, and behind it among the devices.
func TestNamesThatBeginAlike(t *testing.T) {
	w := newWorld(t)
	a, b, visit := w.enrol("van"), w.enrol("van-2"), w.id()
	w.write(a, visit, &events.VisitOpened{Reason: "planned"})
	w.push(a)
	w.write(b, visit, &events.VisitClosed{Outcome: "complete"})
	w.push(b)
	says(t, mustSay(w, visit), "holds chain of van:", "holds chain of van-2:")
}

// What corrects a record about keys says nothing of keys, and is in no dossier's way.
func TestCorrectedKeyRecords(t *testing.T) {
	w := newWorld(t)
	a, visit := w.enrol("tab-1"), w.id()
	w.write(a, visit, &events.VisitOpened{Reason: "planned"})
	w.push(a)
	r := w.write(w.office(), events.RecordID{}, &events.DeviceRevoked{Device: "tab-1"})
	w.write(w.office(), events.RecordID{}, &events.RecordWithdrawn{Target: w.target(r), Why: events.Text{Plain: "the wrong one"}})
	w.push(w.office())
	says(t, mustSay(w, visit), "revoked by record "+string(w.office().id)) // for good, whatever is said of it afterwards
}

// A renewal that gives two keys changes nothing at the gate, and so nothing in a dossier.
func TestRenewalWithTwoKeys(t *testing.T) {
	w := newWorld(t)
	a, visit := w.enrol("tab-1"), w.id()
	keys := []events.DeviceKey{{Use: "sealing", Key: make([]byte, 32)}, {Use: "sealing", Key: append(make([]byte, 31), 1)}}
	w.write(a, visit, &events.VisitOpened{Reason: "planned"})
	w.push(a)
	w.write(a, visit, &events.DeviceRenewed{Device: "tab-1", Keys: keys})
	w.push(a)
	w.write(a, visit, &events.VisitClosed{Outcome: "complete"})
	w.push(a)
	says(t, mustSay(w, visit), "holds chain of tab-1:")
}

// A renewal that was set aside changes the key that seals from there on, and is shown with what let it in; without that,
// what came after the revocation does not hold.
func TestRenewalSetAside(t *testing.T) {
	w := newWorld(t)
	a, visit := w.enrol("tab-1"), w.id()
	first := public(a.key)
	w.write(a, visit, &events.VisitOpened{Reason: "planned"})
	w.push(a)
	w.write(w.office(), events.RecordID{}, &events.DeviceRevoked{Device: "tab-1"})
	w.push(w.office())
	log, err := gate.OpenLog(w.ctx, w.centre)
	if err != nil {
		t.Fatal(err)
	}
	name, key := w.trust.Gate()
	g := gate.New(gate.Config{
		Name: name, Key: key, Gates: w.trust.GateKeys, Log: log, Reader: w.store, Now: func() events.Millis { return w.now }, Random: rand.Reader,
		Messages: slog.New(slog.DiscardHandler),
		Find:     func(events.DeviceID) (gate.Device, bool) { return gate.Device{Key: first, Revoked: true}, true },
	})
	handOver := func() {
		t.Helper()
		var list []byte
		from, before := a.next-events.Seq(len(a.waiting)), a.link
		for _, raw := range a.waiting {
			list = wire.AppendPiece(list, raw)
			a.link = events.Link(a.link, events.HashRecord(raw))
		}
		a.waiting = nil
		push := wire.PushRequest{First: from, Link: before, Seals: []events.Seal{events.SignSeal(a.key, a.id, a.next-1, a.link, "")}, Data: wire.Squeeze(list)}
		q := wire.AsideRequest{Device: a.id, Push: push.Encode()}
		q.Sign(a.key)
		if taken, why, err := g.HandOver(w.ctx, &q); !taken || err != nil {
			t.Fatal(why, err)
		}
	}
	_, next, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	renewed := w.write(a, events.RecordID{}, &events.DeviceRenewed{Device: "tab-1", Keys: []events.DeviceKey{{Use: "sealing", Key: public(next)}}})
	handOver()
	a.key = next
	closed := w.write(a, visit, &events.VisitClosed{Outcome: "complete"})
	handOver()
	if err := g.Admit(w.ctx, a.id, closed.Seq); err != nil {
		t.Fatal(err)
	}
	w.settle()
	w.write(w.office(), events.RecordID{}, &events.RecordAdmitted{Target: w.target(closed)})
	w.push(w.office())
	m, err := w.maker.Make(w.ctx, dossier.Question{Visit: visit})
	if err != nil || m.Report.Holds {
		t.Errorf("with a renewal that nobody let in it holds: %v", err)
	}
	w.write(w.office(), events.RecordID{}, &events.RecordAdmitted{Target: w.target(renewed)})
	w.push(w.office())
	says(t, mustSay(w, visit), "holds chain of tab-1:", "renewed by record tab-1/2", "and the office let them in")
}
