package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"ullage/events"
	"ullage/projections/evidence"
)

func piece(n byte) events.Digest { return events.Digest{n, 7} }

func erasure(pieces ...events.Digest) *events.ErasureDone {
	return &events.ErasureDone{Evidence: pieces, Ground: events.Text{Plain: "asked for"}}
}

func (d *desk) erased(device events.DeviceID, upto events.Seq) string {
	d.t.Helper()
	list, err := d.s.Erased(context.Background(), device, upto)
	if err != nil {
		d.t.Fatal(err)
	}
	var s string
	for _, x := range list {
		s += fmt.Sprint(x[0], " ")
	}
	return s
}

// What a device has to erase: what was ordered, less what it has confirmed in the records that it has itself.
func TestErased(t *testing.T) {
	d := newDesk(t)
	want := func(device events.DeviceID, upto events.Seq, want string) {
		t.Helper()
		if got := d.erased(device, upto); got != want {
			t.Errorf("%s up to %d: %q, want %q", device, upto, got, want)
		}
	}
	want("tab-1", 0, "")
	d.tell(d.one, 0, on{}, &events.NoteWritten{Text: events.Text{Plain: "fine"}})
	d.tell(d.office, 1, on{}, erasure(piece(1), piece(2)))
	want("tab-1", 1, "1 2 ")
	d.tell(d.one, 2, on{}, erasure(piece(2)))
	want("tab-1", 2, "1 ")
	want("tab-1", 1, "1 2 ") // it was put back to before its confirmation
	want("tab-2", 9, "1 2 ")
	d.tell(d.two, 3, on{}, erasure(piece(9))) // nobody has ordered that
	d.tell(d.office, 4, on{}, erasure(piece(2), piece(3)))
	want("tab-1", 2, "1 3 ")
	d.tell(d.one, 5, on{}, erasure(piece(1), piece(3)))
	want("tab-1", 9, "")

	all, without, err := d.s.Erasures(context.Background())
	if err != nil || !slices.Equal(without, []events.Digest{piece(9)}) {
		t.Errorf("without an order: %v, %v", without, err)
	}
	var got []string
	for _, e := range all {
		got = append(got, fmt.Sprint(e.Evidence[0]))
		for _, c := range e.Confirmed {
			got = append(got, fmt.Sprint(c.Device, " ", c.Seq))
		}
	}
	if want := []string{"1", "tab-1 3", "2", "tab-1 2", "3", "tab-1 3"}; !slices.Equal(got, want) {
		t.Errorf("erasures: %q, want %q", got, want)
	}
}

// However many there are, a device is told no more than it can confirm in one record.
func TestErasedMost(t *testing.T) {
	d := newDesk(t)
	for n := range 3 {
		var pieces []events.Digest
		for i := range 200 {
			pieces = append(pieces, events.Digest{byte(n), byte(i), 1})
		}
		d.tell(d.office, n, on{}, erasure(pieces...))
	}
	list, err := d.s.Erased(context.Background(), "tab-1", 0)
	if err != nil || len(list) != events.MaxList || list[0] != (events.Digest{0, 0, 1}) {
		t.Errorf("%d, %v", len(list), err)
	}
}

// Holds are known as soon as they have come; one that was withdrawn is none; one of a device, which is held, is none.
func TestHolds(t *testing.T) {
	d := newDesk(t)
	holds := func(want int) {
		t.Helper()
		s, err := d.s.Evidence(context.Background())
		if err != nil || len(s.Holds) != want {
			t.Errorf("%d holds, want %d, %v", len(s.Holds), want, err)
		}
	}
	holds(0)
	why := events.Text{Plain: "dispute"}
	d.held(d.one, 0, on{}, &events.HoldPlaced{Evidence: []events.Digest{piece(1)}, Why: why})
	holds(0)
	h := d.tell(d.office, 1, on{machine: "m-1"}, &events.HoldPlaced{Why: why})
	holds(1)
	d.tell(d.office, 2, on{}, &events.HoldPlaced{Evidence: []events.Digest{piece(1)}, Why: why})
	holds(2)
	d.tell(d.office, 3, on{machine: "m-1"}, &events.RecordWithdrawn{Target: h.Target(), Why: why})
	holds(1)
	d.tell(d.office, 4, on{}, &events.HoldLifted{Evidence: []events.Digest{piece(1)}, Why: why})
	holds(0)
	if s, err := d.s.Evidence(context.Background()); err != nil || len(s.Orders) != 0 {
		t.Errorf("orders: %v, %v", s.Orders, err)
	}
	if n := len(d.s.model.erasures.decisive); n != 5 {
		t.Errorf("%d records are remembered, each was to be once", n)
	}
}

// The pieces of a machine are those of its records, and of what was written at its visits on no machine, as a signature
// is; an amendment's content too. Those of another machine are not.
func TestNamed(t *testing.T) {
	d := newDesk(t)
	text := func(n byte) events.Text { return events.Text{Digest: piece(n)} }
	one := d.tell(d.one, 0, on{site: "yard", machine: "m-1", visit: visit(1)}, &events.NoteWritten{Text: text(1)})
	d.tell(d.one, 1, on{site: "yard", visit: visit(1)}, &events.SignatureCaptured{Evidence: piece(2), Shown: piece(3)})
	d.tell(d.one, 2, on{site: "yard", machine: "m-2", visit: visit(1)}, &events.NoteWritten{Text: text(4)})
	d.tell(d.one, 3, on{site: "shed", machine: "m-1"}, &events.NoteWritten{Text: text(5)})
	raw, err := events.EncodeBody(&events.NoteWritten{Text: text(6)})
	if err != nil {
		t.Fatal(err)
	}
	d.tell(d.office, 4, on{site: "yard", machine: "m-1", visit: visit(1)}, &events.RecordAmended{Target: one.Target(), Body: raw, Why: text(7)})
	for _, c := range []struct {
		scope evidence.Scope
		want  []byte
	}{
		{evidence.Scope{Visit: visit(1)}, []byte{1, 2, 3, 4, 6, 7}},
		{evidence.Scope{Machine: "m-1"}, []byte{1, 2, 3, 5, 6, 7}},
		{evidence.Scope{Machine: "m-2"}, []byte{2, 3, 4}},
		{evidence.Scope{Site: "yard"}, []byte{1, 2, 3, 4, 6, 7}},
		{evidence.Scope{Site: "shed"}, []byte{5}},
	} {
		found, err := d.s.Named(context.Background(), c.scope)
		var got []byte
		for p := range found {
			got = append(got, p[0])
		}
		slices.Sort(got)
		if err != nil || !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, %v, want %v", c.scope, got, err, c.want)
		}
	}
	if _, err := d.s.Named(context.Background(), evidence.Scope{Site: "nowhere"}); !errors.Is(err, ErrNotThere) {
		t.Errorf("nowhere: %v", err)
	}
}
