package entry

import (
	"crypto/ed25519"
	"testing"

	"ullage/events"
)

// The device's clock was put back: the writer tells of it first, in the new run, and numbers go on.
func TestClockPutBack(t *testing.T) {
	r := newRig("tab-1", false)
	r.record(t, note("before"))
	r.now -= 60_000 // within what is borne
	r.record(t, note("a little back"))
	if c := r.at(t, 2).Clock; c.At() != noon || c.Counter() != 1 || r.journal.head.Seq != 2 {
		t.Errorf("a little back: %d at %d.%d", r.journal.head.Seq, c.At(), c.Counter())
	}
	r.now = noon - 61_000
	r.zone = 120
	a := r.record(t, note("back"), note("more"))
	if len(a) != 2 || a[0].Seq != 4 || a[1].Seq != 5 {
		t.Fatalf("answers %+v", a)
	}
	told := r.at(t, 3)
	if told.Kind != "clock.checked" || told.Clock != events.ClockOf(r.now, 0) || told.Done != r.now || told.Zone != 120 || told.ID.At() != r.now {
		t.Errorf("told by %+v", told)
	}
	if b := body[*events.ClockChecked](t, r, 3); b.SteppedMs == nil || *b.SteppedMs != -61_000 || b.OffsetMs != nil {
		t.Errorf("told that %+v", b)
	}
	if c := r.at(t, 4).Clock; c != events.ClockOf(r.now, 1) {
		t.Errorf("the next was written at %d.%d", c.At(), c.Counter())
	}
	r.now += 5
	r.record(t, note("on"))
	if c := r.at(t, 6).Clock; c != events.ClockOf(r.now, 0) {
		t.Errorf("the run goes on at %d.%d", c.At(), c.Counter())
	}
}

func TestIDsFollowTheClock(t *testing.T) {
	r := newRig("tab-1", false)
	a := r.record(t, note("a"), note("b"))
	if a[0].ID == a[1].ID || !a[0].ID.Valid() || a[0].ID.At() != noon {
		t.Errorf("ids %s and %s", a[0].ID, a[1].ID)
	}
}

// A seal stands at the start and at the end of every visit, over the link there.
func TestSeals(t *testing.T) {
	r := newRig("tab-1", false)
	r.record(t, note("a"), `{"kind":"visit.opened","visit":"v1"}`, note("b"), `{"kind":"visit.closed","visit":"v1","body":{"outcome":"complete"}}`, note("c"))
	if len(r.journal.seals) != 2 || r.journal.seals[0].Seq != 2 || r.journal.seals[1].Seq != 4 {
		t.Fatalf("seals %+v", r.journal.seals)
	}
	link := r.journal.first
	for i, raw := range r.journal.records {
		link = events.Link(link, events.HashRecord(raw))
		for _, s := range r.journal.seals {
			if s.Seq == events.Seq(i+1) {
				if err := events.VerifySeal(r.key.Public().(ed25519.PublicKey), r.Device, link, s); err != nil {
					t.Errorf("seal at %d: %v", s.Seq, err)
				}
			}
		}
	}
	r.Seal = nil
	r.record(t, `{"kind":"visit.opened","visit":"v1"}`)
	if len(r.journal.seals) != 2 {
		t.Error("sealed without a seal")
	}
}

// retrying is a journal that builds twice, as one does that lost a race.
type retrying struct{ *journal }

func (j retrying) Append(build func(events.Head) (Batch, error)) (events.Head, error) {
	elsewhere := j.head
	elsewhere.Seq += 1000
	if _, err := build(elsewhere); err != nil {
		return events.Head{}, err
	}
	return j.journal.Append(build)
}

func TestBuildTwice(t *testing.T) {
	r := newRig("tab-1", false)
	r.Journal = retrying{r.journal}
	old := counterID(3).String()
	a := r.record(t, `{"kind":"note.written","body":{"text":"x"},"record":{"id":"`+old+`"}}`, amend(old, `"by":"T1"`), withdraw(old))
	if b := body[*events.RecordAmended](t, r, 2); b.Target != r.journal.target(1) || a[2].Seq != 3 {
		t.Errorf("amended %+v, answers %+v", b, a)
	}
}
