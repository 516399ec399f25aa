package store

import (
	"crypto/ed25519"
	"encoding/binary"
	"slices"
	"testing"
	"time"

	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
)

// pad is a device as the centre sees it: it writes records, and what it has written is committed in pushes. The same
// calls give the same bytes.
type pad struct {
	t       testing.TB
	id      events.DeviceID
	key     ed25519.PublicKey
	seq     events.Seq  // of the last record
	link    events.Hash // of the last record
	clock   events.Clock
	written []written
	pushed  int // of written
	pushes  int

	// Of a copy of another pad:
	shared int              // of written, those that it has of that one
	copies byte             // which of the pad's copies it is, from 1
	parted []events.Parting // of its own records
}

// written is a record as its device keeps it.
type written struct {
	raw  []byte
	link events.Hash
	held string // why the gate will hold it
	projections.Arrival
}

func newPad(t testing.TB, id events.DeviceID) *pad {
	p := &pad{t: t, id: id, key: make(ed25519.PublicKey, ed25519.PublicKeySize)}
	copy(p.key, id)
	p.link = events.FirstLink(id, p.key)
	return p
}

// part makes a copy of the pad as it was when it had written the first n records; it has written more. The copy goes on by
// itself, from its next record on.
func (p *pad) part(n int, copies byte) *pad {
	c := *p
	c.written, c.shared, c.copies, c.pushed = slices.Clone(p.written[:n]), n, copies, n
	c.seq, c.link = events.Seq(n), events.FirstLink(p.id, p.key)
	if n > 0 {
		c.link = p.written[n-1].link
	}
	first := p.written[n].link
	c.parted = slices.DeleteFunc(slices.Clone(p.parted), func(x events.Parting) bool {
		if x.Seq == events.Seq(n)+1 {
			first = x.Other
		}
		return x.Seq > events.Seq(n)
	})
	c.parted = append(c.parted, events.Parting{Seq: events.Seq(n) + 1, Other: first})
	return &c
}

// keep takes a record in.
func (p *pad) keep(w written) *written {
	p.link = events.Link(p.link, w.Hash)
	w.link = p.link
	if n := len(p.parted); n > 0 && len(p.written) == p.shared && p.copies > 0 {
		p.parted = slices.Clone(p.parted)
		p.parted[n-1].Link = w.link
	}
	w.Parted = p.parted
	p.written = append(p.written, w)
	return &p.written[len(p.written)-1]
}

// on says whom and what a record concerns.
type on struct {
	site    events.SiteID
	machine events.MachineID
	visit   events.RecordID
	by      events.StaffCode
}

// write writes a record that happened at a time.
func (p *pad) write(at time.Time, o on, body events.Body) *written {
	p.t.Helper()
	raw, err := events.EncodeBody(body)
	if err != nil {
		p.t.Fatal(err)
	}
	return p.writeRaw(at, o, body.Kind(), raw)
}

func (p *pad) writeRaw(at time.Time, o on, kind events.Kind, body []byte) *written {
	p.t.Helper()
	done := events.MillisOf(at)
	p.seq++
	p.clock, _ = p.clock.Next(done)
	random := [10]byte{1: p.copies, 2: byte(len(p.id)), 3: p.id[len(p.id)-1]}
	binary.BigEndian.PutUint32(random[4:], uint32(p.seq))
	_, offset := at.Zone()
	r := events.Record{
		ID: events.NewRecordID(p.clock.At(), random), Device: p.id, Seq: p.seq, Clock: p.clock, Done: done, Zone: offset / 60,
		Site: o.site, Machine: o.machine, Visit: o.visit, By: o.by, Kind: kind, V: max(events.Newest(kind), 1), Body: body,
	}
	raw, err := events.EncodeRecord(&r)
	if err != nil {
		p.t.Fatal(err)
	}
	return p.keep(written{raw: raw, Arrival: projections.Arrival{Record: r, Hash: events.HashRecord(raw)}})
}

// waits tells how many records are not pushed yet.
func (p *pad) waits() int { return len(p.written) - p.pushed }

// commit makes the message that brings the records [from, to). Where the original receipt is of another time, the
// range was healed.
func (p *pad) commit(from, to int, received, original events.Millis) []byte {
	p.t.Helper()
	last, link := events.Seq(to), p.written[to-1].link
	p.pushes++
	c := &wire.Commit{
		Device: p.id, Seq: last, Link: link, Range: wire.Range{From: events.Seq(from + 1), To: last}, Key: p.key, Gate: "gate-1", Received: received,
		Seals: []events.Seal{{Seq: last, Signature: append(link[:], link[:]...)}}, Parted: p.parted,
	}
	binary.BigEndian.PutUint64(c.Nonce[:], uint64(p.pushes))
	var raws [][]byte
	for i := from; i < to; i++ {
		w := &p.written[i]
		raws = append(raws, w.raw)
		if w.held != "" {
			c.Held = append(c.Held, wire.HeldRecord{Seq: events.Seq(i + 1), Hash: w.Hash, Reason: w.held})
		}
	}
	if original != received {
		r := wire.Receipt{Device: p.id, First: c.Range.From, Last: last, Link: link, Received: original, Gate: "gate-1", Signature: make([]byte, ed25519.SignatureSize)}
		c.Original = r.Encode()
	}
	return wire.EncodeStored(c, raws)
}

// writeBytes writes something that is no record.
func (p *pad) writeBytes(raw []byte) *written {
	p.seq++
	return p.keep(written{raw: raw, held: "not a record",
		Arrival: projections.Arrival{Record: events.Record{Device: p.id, Seq: p.seq, Body: raw}, Hash: events.HashRecord(raw)}})
}
