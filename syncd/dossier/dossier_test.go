package dossier_test

import (
	"errors"
	"strings"
	"testing"

	"ullage/events"
	form "ullage/events/dossier"
	"ullage/events/wire"
	"ullage/syncd/dossier"
	"ullage/syncd/store"
)

// made makes a dossier whose claims all hold, and returns what its report says.
func (w *world) made(q dossier.Question) (*dossier.Made, string) {
	w.t.Helper()
	m, err := w.maker.Make(w.ctx, q)
	if err != nil {
		w.t.Fatal(err)
	}
	said := m.Report.Shows + "\n"
	for _, c := range m.Report.Claims {
		said += string(c.Verdict) + " " + c.Name + ": " + c.Words + "\n"
	}
	if !m.Report.Holds {
		w.t.Fatalf("it does not hold:\n%s", said)
	}
	return m, said
}

func says(t *testing.T, said string, want ...string) {
	t.Helper()
	for _, s := range want {
		if !strings.Contains(said, s) {
			t.Errorf("%q is not said in\n%s", s, said)
		}
	}
}

// A visit by two technicians, among other visits, with a key renewed on the way, a signature, a correction after it,
// and evidence that is here, away and erased.
func TestVisit(t *testing.T) {
	w := newWorld(t)
	visit, other := w.id(), w.id()
	one, two, stranger := w.enrol("tab-1"), w.enrol("tab-2"), w.enrol("tab-3")
	w.write(stranger, other, &events.VisitOpened{Reason: "call"})
	w.push(stranger)

	w.see(one)
	w.write(one, other, &events.VisitOpened{Reason: "planned"})
	w.push(one)
	w.write(one, visit, &events.VisitOpened{Reason: "planned"})
	removed := w.write(one, visit, &events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 12})
	w.write(one, other, &events.VisitClosed{Outcome: "complete"})
	gone := w.keep("a name")
	w.write(one, visit, &events.HarmNoted{What: "splash", Evidence: gone})
	w.push(one)
	next := w.enrol("tab-1-next").key
	w.write(one, events.RecordID{}, &events.DeviceRenewed{Device: "tab-1", Keys: []events.DeviceKey{{Use: "sealing", Key: public(next)}}})
	w.push(one)
	one.key = next
	shown, ink := w.keep("What was shown: 12 L"), w.keep("strokes")
	w.write(one, visit, &events.SignatureCaptured{Evidence: ink, Shown: shown})
	w.push(one)
	w.write(two, visit, &events.PhotoTaken{Evidence: events.Digest{1}})
	w.push(two)
	u := 0.25
	body, err := events.EncodeBody(&events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 13, U: &u})
	if err != nil {
		t.Fatal(err)
	}
	w.write(w.office(), events.RecordID{}, &events.CustomerEntered{Code: "C-9"})
	w.write(w.office(), visit, &events.RecordAmended{Target: w.target(removed), Body: body, Why: events.Text{Plain: "misread"}})
	w.erased[gone] = w.write(w.office(), events.RecordID{}, &events.ErasureDone{Evidence: []events.Digest{gone}, Ground: events.Text{Plain: "asked for"}}).ID
	w.write(w.office(), visit, &events.DossierMade{Digest: events.Hash{1}, For: events.Digest{7}})
	w.push(w.office())

	m, said := w.made(dossier.Question{Visit: visit})
	says(t, said, "these 6 records of visit "+visit.String(), "renewed by record tab-1/7", "let in by record "+string(w.office().id)+"/2",
		"2 pieces are in the file", "1 piece was not at the centre", `on the ground: "asked for"`, "it came AFTER the signature of record tab-1/8",
		"3 records of tab-1 (3 to 6) written after ", "1 record of tab-2 (1 to 1) written before ")
	if len(m.Evidence) != 2 {
		t.Errorf("%d pieces in it", len(m.Evidence))
	}
	for _, secret := range []string{"C-9", "tab-3", "a name"} {
		if strings.Contains(string(m.File), secret) {
			t.Errorf("%q is in the file, and is nobody's concern", secret)
		}
	}
}

// Monday's records are not bounded by what the device learns on Thursday.
func TestMondayAndThursday(t *testing.T) {
	w := newWorld(t)
	visit := w.id()
	d := w.enrol("tab-1")
	w.see(d)
	w.push(d)
	friday := w.now
	w.now += 3 * 86_400_000 // Monday, without a signal
	w.write(d, visit, &events.VisitOpened{Reason: "planned"})
	w.write(d, visit, &events.VisitClosed{Outcome: "complete"})
	monday := w.now
	w.now += 3 * 86_400_000 // Thursday
	w.see(d)
	w.push(d)
	_, said := w.made(dossier.Question{Visit: visit})
	i := strings.Index(said, "2 records of tab-1 (2 to 3) written after ")
	if i < 0 {
		t.Fatal(said)
	}
	after, err := events.ParseWhen(strings.Fields(said[i:])[9])
	if err != nil || events.MillisOf(after) > friday || !strings.Contains(said[i:], "before "+w.now.Format(0)) {
		t.Errorf("written on %s, told: %s", monday.Format(0), said[i:])
	}
}

// The last checkpoint that a device had seen can lie many pushes back; one that lies too far back is left out.
func TestLookBack(t *testing.T) {
	w := newWorld(t)
	d, other := w.enrol("tab-1"), w.id()
	w.see(d)
	w.push(d)
	fill := func(n int) {
		for range n {
			w.write(d, other, &events.TimeSpent{What: "work", Minutes: 1})
		}
		w.push(d)
	}
	for range 3 {
		fill(300)
	}
	near := w.id()
	w.write(d, near, &events.VisitOpened{Reason: "planned"})
	w.push(d)
	_, said := w.made(dossier.Question{Visit: near})
	says(t, said, "1 record of tab-1 (902 to 902) written after ", "900 records between those that are shown are here as hashes only")
	for range 2 {
		fill(1000)
	}
	far := w.id()
	w.write(d, far, &events.VisitOpened{Reason: "planned"})
	w.push(d)
	_, said = w.made(dossier.Question{Visit: far})
	says(t, said, "1 record of tab-1 (2903 to 2903) written before ", "0 records between")
}

// A machine's history within a time, over several visits, and not what lies outside.
func TestMachine(t *testing.T) {
	w := newWorld(t)
	d := w.enrol("tab-1")
	day := func() events.Millis {
		w.now += 86_400_000
		at := w.now
		w.see(d)
		visit := w.id()
		w.write(d, visit, &events.VisitOpened{Reason: "planned"})
		w.write(d, visit, &events.TimeSpent{What: "work", Minutes: 1})
		w.push(d)
		return at
	}
	day()
	from := day()
	to := day() - 1
	day()
	_, said := w.made(dossier.Question{Machine: "nw-01", From: from, To: to})
	says(t, said, "these 2 records of machine nw-01 from "+from.Format(0), "2 records of tab-1 (5 to 6) written after ")
	_, said = w.made(dossier.Question{Machine: "nw-01", From: from, To: events.MaxMillis})
	says(t, said, "these 6 records of machine nw-01")
	if _, err := w.maker.Make(w.ctx, dossier.Question{Machine: "nw-01", From: w.now + 1, To: events.MaxMillis}); !errors.Is(err, dossier.ErrNothing) {
		t.Errorf("a time without records: %v", err)
	}
	for _, q := range []dossier.Question{{Machine: "nw-02", To: events.MaxMillis}, {Visit: w.id()}} {
		if _, err := w.maker.Make(w.ctx, q); !errors.Is(err, store.ErrNotThere) {
			t.Errorf("%+v: %v", q, err)
		}
	}
}

// A record that is held is shown as one, and that its device was revoked before it came is told.
func TestHeldAndRevoked(t *testing.T) {
	w := newWorld(t)
	d, visit := w.enrol("tab-1"), w.id()
	w.write(d, visit, &events.CustomerEntered{Code: "C-1"})
	w.push(d)
	_, said := w.made(dossier.Question{Visit: visit})
	says(t, said, "not claimed held: record tab-1/1 is held, on the word of the centre: \"customer.entered is the office's to record\"")
	w.write(w.office(), events.RecordID{}, &events.DeviceRevoked{Device: "tab-1"})
	w.push(w.office())
	says(t, mustSay(w, visit), "revoked by record "+string(w.office().id)+"/2")
	w.write(d, visit, &events.VisitClosed{Outcome: "complete"})
	w.push(d) // as if a gate had not heard of it
	m, err := w.maker.Make(w.ctx, dossier.Question{Visit: visit})
	if err != nil || m.Report.Holds {
		t.Errorf("a record from a revoked device holds: %v", err)
	}
}

func mustSay(w *world, visit events.RecordID) string {
	_, said := w.made(dossier.Question{Visit: visit})
	return said
}

// What was healed counts from its first receipt, whose range is not that of the messages that brought it again.
func TestHealed(t *testing.T) {
	w := newWorld(t)
	d, visit, other := w.enrol("tab-1"), w.id(), w.id()
	for range 3 {
		w.write(d, visit, &events.TimeSpent{What: "work", Minutes: 1})
	}
	for range 2 {
		w.write(d, other, &events.TimeSpent{What: "work", Minutes: 1})
	}
	links := []events.Hash{d.link}
	for _, raw := range d.waiting {
		links = append(links, events.Link(links[len(links)-1], events.HashRecord(raw)))
	}
	gateName, key := w.trust.Gate()
	first := w.now
	original := wire.Receipt{Device: d.id, First: 1, Last: 4, Link: links[4], Received: first, Place: wire.Place{Seq: 9, Created: 1}}
	original.Sign(gateName, key)
	w.now += 86_400_000
	for _, r := range []wire.Range{{From: 1, To: 2}, {From: 3, To: 5}} {
		c := &wire.Commit{
			Device: d.id, Seq: 5, Link: links[5], Range: r, Seals: []events.Seal{events.SignSeal(d.key, d.id, r.To, links[r.To], "")},
			Key: public(d.key), Gate: gateName, Received: w.now, Original: original.Encode(),
		}
		if err := w.centre.Publish(wire.PushSubject(d.id), wire.EncodeStored(c, d.waiting[r.From-1:r.To])); err != nil {
			t.Fatal(err)
		}
		if err := w.centre.Flush(); err != nil {
			t.Fatal(err)
		}
	}
	w.settle()
	m, said := w.made(dossier.Question{Visit: visit})
	says(t, said, "3 records of tab-1 (1 to 3) written before "+first.Format(0), "2 receipts")
	if m.Report.Digest != form.Digest(m.File) {
		t.Error("the digest is another file's")
	}
}
