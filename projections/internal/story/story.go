// Package story tells records for the tests of projections: what a device or the office wrote, as the centre received
// it.
package story

import (
	"slices"
	"time"

	"ullage/events"
	"ullage/projections"
)

// On says whom and what a record concerns.
type On struct {
	Site    events.SiteID
	Machine events.MachineID
	Visit   events.RecordID
	By      events.StaffCode
}

// Teller is a device that writes.
type Teller struct {
	Device events.DeviceID
	Office bool

	seq   events.Seq
	clock events.Clock
	links []events.Hash // of its chain, from the first record on

	copies byte             // how many copies of the device there are; of a copy, which it is
	parted []events.Parting // of a copy: of what it writes
}

// Part makes a copy of a device that goes on by itself behind a record, behind which the device has written more.
func (t *Teller) Part(behind events.Seq) *Teller {
	t.copies++
	c := *t
	c.seq, c.links = behind, slices.Clone(t.links[:behind])
	first := t.links[behind]
	c.parted = slices.DeleteFunc(slices.Clone(t.parted), func(p events.Parting) bool {
		if p.Seq == behind+1 {
			first = p.Other
		}
		return p.Seq > behind
	})
	c.parted = append(c.parted, events.Parting{Seq: behind + 1, Other: first})
	return &c
}

// Branch names the branch behind a parting that the device's record there is on.
func (t *Teller) Branch(seq events.Seq) events.Branch {
	return events.Branch{Seq: seq, Link: t.links[seq-1]}
}

// Visit makes the id of a visit out of a small number.
func Visit(n byte) events.RecordID {
	return events.NewRecordID(events.Millis(n)*1000, [10]byte{n})
}

// At reads a time, RFC 3339.
func At(s string) time.Time {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		panic(err)
	}
	return t
}

// Millis reads a time, RFC 3339.
func Millis(s string) events.Millis { return events.MillisOf(At(s)) }

// Tell writes a record that happened at done, is written at once and received an hour later.
func (t *Teller) Tell(done string, on On, body events.Body) projections.Arrival {
	at := At(done)
	raw, err := events.EncodeBody(body)
	if err != nil {
		panic(err)
	}
	_, offset := at.Zone()
	t.seq++
	t.clock, _ = t.clock.Next(events.MillisOf(at))
	a := projections.Arrival{
		Record: events.Record{
			ID: events.NewRecordID(events.MillisOf(at), [10]byte{byte(t.seq), byte(t.seq >> 8), t.Device[0], t.Device[len(t.Device)-1], byte(len(t.parted)), t.copies}), Device: t.Device, Seq: t.seq, Clock: t.clock,
			Done: events.MillisOf(at), Zone: offset / 60, Site: on.Site, Machine: on.Machine, Visit: on.Visit, By: on.By,
			Kind: body.Kind(), V: events.Newest(body.Kind()), Body: raw,
		},
		Received: events.MillisOf(at.Add(time.Hour)), Stage: projections.Received, Office: t.Office,
	}
	Seal(&a)
	var before events.Hash
	if t.seq > 1 {
		before = t.links[t.seq-2]
	}
	t.links = append(t.links, events.Link(before, a.Hash))
	if n := len(t.parted); n > 0 && t.parted[n-1].Seq == t.seq {
		t.parted[n-1].Link = t.links[t.seq-1]
	}
	a.Parted = slices.Clone(t.parted)
	return a
}

// Seal gives an arrival its hash, and a commit of its own, after a change of its record.
func Seal(a *projections.Arrival) {
	b, err := events.EncodeRecord(&a.Record)
	if err != nil {
		panic(err)
	}
	a.Hash = events.HashRecord(b)
	a.Commit = events.HashRecord(a.Hash[:])
}

// Of is the envelope that a correction of a carries.
func Of(a *projections.Arrival) On {
	return On{a.Record.Site, a.Record.Machine, a.Record.Visit, a.Record.By}
}

// Amend writes an amendment of target; b tells what is new. over are the corrections that the writer held.
func (t *Teller) Amend(done string, target *projections.Arrival, b events.RecordAmended, over ...*projections.Arrival) projections.Arrival {
	b.Target, b.Why, b.Over = target.Target(), events.Text{Plain: "misread"}, hashes(over)
	return t.Tell(done, Of(target), &b)
}

// Withdraw writes a withdrawal of target.
func (t *Teller) Withdraw(done string, target *projections.Arrival, over ...*projections.Arrival) projections.Arrival {
	return t.Tell(done, Of(target), &events.RecordWithdrawn{Target: target.Target(), Why: events.Text{Plain: "taken twice"}, Over: hashes(over)})
}

// Admit writes an admission of target.
func (t *Teller) Admit(done string, target *projections.Arrival) projections.Arrival {
	return t.Tell(done, Of(target), &events.RecordAdmitted{Target: target.Target()})
}

func hashes(over []*projections.Arrival) []events.Hash {
	var all []events.Hash
	for _, a := range over {
		all = append(all, a.Hash)
	}
	return all
}

// Body is the canonical bytes of a body, as an amendment holds them.
func Body(b events.Body) events.Raw {
	raw, err := events.EncodeBody(b)
	if err != nil {
		panic(err)
	}
	return raw
}

// Volume is a reading of a bath's volume by dip, with u 1.
func Volume(moment events.Word, litres float64) *events.ReadingTaken {
	return &events.ReadingTaken{Quantity: "volume", Value: &litres, Unit: "L", U: P(1.0), Method: "dip", Moment: moment}
}

// P is a pointer to x.
func P[T any](x T) *T { return &x }
