package store

import (
	"slices"

	"pgregory.net/rapid"

	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
)

// sent is a message of RECORDS, and what it brings as somebody sees it who knows the story.
type sent struct {
	device events.DeviceID
	data   []byte
	place  wire.Place
	brings []projections.Arrival
}

// stretch is a number of records of a device that have one time of receipt.
type stretch struct {
	pad      *pad
	from, to int
	received events.Millis
}

// receive draws when the records of a story are received: in stretches, with times that grow.
func receive(t *rapid.T, s *story) (all []stretch) {
	for _, p := range s.pads {
		at := events.MillisOf(began)
		for from := p.shared; from < len(p.written); {
			to := rapid.IntRange(from+1, len(p.written)).Draw(t, "stretch")
			at += events.Millis(rapid.IntRange(0, 3).Draw(t, "later")) * 1_800_000
			all = append(all, stretch{p, from, to, at})
			from = to
		}
	}
	return all
}

// arrive draws how a story comes to the centre: in which order of devices, in which pushes, and what comes once more.
func arrive(t *rapid.T, stretches []stretch) (all []sent) {
	waiting := map[*pad][]stretch{}
	var pads []*pad
	for _, x := range stretches {
		if waiting[x.pad] == nil {
			pads = append(pads, x.pad)
		}
		for from := x.from; from < x.to; {
			to := rapid.IntRange(from+1, x.to).Draw(t, "push")
			waiting[x.pad] = append(waiting[x.pad], stretch{x.pad, from, to, x.received})
			from = to
		}
	}
	var past, owed []stretch
	add := func(x stretch, healed events.Millis) {
		all = append(all, x.send(uint64(len(all))+1, healed))
		past = append(past, x)
	}
	later := func() events.Millis { return events.Millis(rapid.IntRange(1, 9).Draw(t, "healed after")) * 3_600_000 }
	again := func(from *[]stretch) {
		i := rapid.IntRange(0, len(*from)-1).Draw(t, "range")
		x := (*from)[i]
		if from == &owed {
			owed = slices.Delete(owed, i, i+1)
		} else {
			x.from = rapid.IntRange(x.from, x.to-1).Draw(t, "from")
		}
		add(x, later())
	}
	for len(pads) > 0 {
		if len(past) > 0 && rapid.IntRange(0, 5).Draw(t, "again") == 0 {
			again(&past)
		}
		if len(owed) > 0 && rapid.Bool().Draw(t, "receipt found") {
			again(&owed)
		}
		i := rapid.IntRange(0, len(pads)-1).Draw(t, "device")
		p := pads[i]
		x := waiting[p][0]
		switch rapid.IntRange(0, 9).Draw(t, "fate") {
		case 0: // the first message is lost, and its range is healed
			add(x, later())
		case 1: // likewise, and the receipt is found only later
			owed = append(owed, x)
			x.received += later()
			add(x, 0)
		default:
			add(x, 0)
		}
		if waiting[p] = waiting[p][1:]; len(waiting[p]) == 0 {
			pads = slices.Delete(pads, i, i+1)
		}
	}
	for len(owed) > 0 {
		again(&owed)
	}
	return all
}

// send makes the message that brings a stretch; where healed is not 0, it does so that much later, with the device's
// receipt.
func (x stretch) send(seq uint64, healed events.Millis) sent {
	data := x.pad.commit(x.from, x.to, x.received+healed, x.received)
	m := sent{device: x.pad.id, data: data, place: wire.Place{Seq: seq, Hash: wire.HashData(data), Created: 1}}
	for i := x.from; i < x.to; i++ {
		w := x.pad.written[i]
		a := w.Arrival
		a.Received, a.Stage, a.Office, a.Held, a.Commit = x.received, projections.Received, byOffice(x.pad.id), w.held, m.place.Hash
		m.brings = append(m.brings, a)
	}
	return m
}

// arrivals are all that some messages bring, repeats and all.
func arrivals(messages []sent) (all []projections.Arrival) {
	for _, m := range messages {
		all = append(all, m.brings...)
	}
	return all
}
