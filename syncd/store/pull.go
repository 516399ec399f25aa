package store

import (
	"context"
	"database/sql"
	"slices"

	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
)

// Pull answers a device: the register, and the records of the machines that concern it. The copies that a device names
// are as good as its place: where that does not hold, it begins at nothing.
func (s *Store) Pull(ctx context.Context, device events.DeviceID, q wire.PullRequest) (*wire.PullAnswer, error) {
	return s.pull(ctx, device, q, wire.MaxPull)
}

func (s *Store) pull(ctx context.Context, device events.DeviceID, q wire.PullRequest, room int) (a *wire.PullAnswer, err error) {
	err = s.asking(ctx, func(r *reader) error {
		p := puller{r: r, device: device, room: room, sent: map[events.Hash]bool{}, parted: map[events.DeviceID]events.Seq{}}
		err := p.answer(q)
		a = &p.PullAnswer
		return err
	})
	if err != nil {
		return nil, err
	}
	return a, nil
}

// puller fills an answer.
type puller struct {
	wire.PullAnswer
	r      *reader
	device events.DeviceID
	room   int // in bytes, for records
	sent   map[events.Hash]bool
	parted map[events.DeviceID]events.Seq // from where a device has branches, as far as it was asked
}

func (p *puller) answer(q wire.PullRequest) error {
	holds, err := p.r.holds(q)
	if err != nil {
		return err
	}
	if !holds {
		p.Reset, q = true, wire.PullRequest{}
	}
	machines, err := p.r.interest(p.device)
	if err != nil {
		return err
	}
	copies := map[events.MachineID]uint64{}
	for _, c := range q.Copies {
		copies[c.Machine] = c.Seq
		if _, concerns := slices.BinarySearch(machines, c.Machine); !concerns {
			p.Drop = append(p.Drop, c.Machine)
		}
	}
	last, err := p.add(registerKey, q.Place.Seq)
	if err != nil {
		return err
	}
	if !p.More {
		// With the newest message as its place, a device notices if anything that it has copied is gone.
		if last, err = p.r.newest(); err != nil {
			return err
		}
	}
	if p.Place, err = p.r.placeOf(last); err != nil {
		return err
	}
	// Of a machine at which other records count since a device has forked, or since its branches were settled, the copy begins
	// anew. The place that the answer gives lies behind that, so it does so once.
	complete, again := !p.More, false
	for _, id := range machines {
		at := copies[id]
		if at > 0 && complete {
			divided, err := p.r.dividedSince(machineKey(id), q.Place.Seq)
			if err != nil {
				return err
			}
			if divided {
				p.Drop, again = append(p.Drop, id), true
				continue
			}
		}
		if !p.More {
			if at, err = p.add(machineKey(id), at); err != nil {
				return err
			}
		}
		p.Copies = append(p.Copies, wire.Copy{Machine: id, Seq: at})
	}
	p.More = p.More || again
	return nil
}

// add adds what came into a history behind the message after: of whole messages only, as long as there is room; one
// message always fits. It returns the last message that is in whole, and sets More where another follows.
func (p *puller) add(key string, after uint64) (last uint64, err error) {
	spots, err := p.r.spots(key, after)
	if err != nil {
		return after, err
	}
	letIn := admissions{r: p.r, key: key}
	for len(spots) > 0 {
		since := spots[0].since
		n := slices.IndexFunc(spots, func(s spot) bool { return s.since != since })
		if n < 0 {
			n = len(spots)
		}
		records, err := p.of(spots[:n], &letIn)
		if err != nil {
			return after, err
		}
		size := 0
		for _, x := range records {
			size += len(x.Record) + 48
		}
		if size > p.room && len(p.Records) > 0 {
			p.More = true
			return after, nil
		}
		p.room -= size
		p.Records = append(p.Records, records...)
		for _, x := range records {
			p.sent[events.HashRecord(x.Record)] = true
		}
		after, spots = since, spots[n:]
	}
	return after, nil
}

// of are the records at some spots that the device does not have: others', and of those that were held, or are behind a
// parting of their device's chain, what the office has let in. With an admission comes what it lets in, which a device that was here before has not been sent.
func (p *puller) of(spots []spot, letIn *admissions) (all []wire.Pulled, err error) {
	add := func(a *arrival) error {
		if a.Record.Device == p.device || p.sent[a.Hash] {
			return nil
		}
		divided, err := p.divided(a)
		if err != nil {
			return err
		}
		if a.Held != "" || divided {
			if in, err := letIn.has(a.Hash); err != nil || !in {
				return err
			}
		}
		all = append(all, wire.Pulled{Record: a.raw, Received: a.Received, Commit: a.Commit})
		return nil
	}
	for _, s := range spots {
		a, err := p.r.at(s)
		if err != nil {
			return nil, err
		}
		if err := add(a); err != nil {
			return nil, err
		}
		if target, ok, err := events.CorrectionOf(&a.Record); ok && err == nil && a.Record.Kind == events.KindAdmitted {
			admitted, err := p.r.named(name{target.Device, target.Seq})
			if err != nil {
				return nil, err
			}
			for _, t := range admitted {
				if t.Held != "" && t.Hash == target.Hash {
					if err := add(t); err != nil {
						return nil, err
					}
				}
			}
		}
	}
	return all, nil
}

// divided tells whether a record is behind a parting of its device's chain.
func (p *puller) divided(a *arrival) (bool, error) {
	at, known := p.parted[a.Record.Device]
	if !known {
		var err error
		if at, err = p.r.partedAt(a.Record.Device); err != nil {
			return false, err
		}
		p.parted[a.Record.Device] = at
	}
	return at > 0 && a.Record.Seq >= at, nil
}

// admissions tells which held records of a history were let in, and whose branch stands; it looks when it is first asked.
type admissions struct {
	r   *reader
	key string
	in  map[events.Hash]bool
}

func (l *admissions) has(h events.Hash) (bool, error) {
	if l.in == nil {
		arrivals, err := l.r.history(l.key)
		if err != nil {
			return false, err
		}
		l.in = map[events.Hash]bool{}
		for _, f := range projections.Resolve(arrivals, projections.Now).All {
			l.in[f.Hash] = f.State != projections.Held && f.Branch != projections.Unsettled
		}
	}
	return l.in[h], nil
}

// holds tells whether the place of a request is one of this model's. A device without a place can have no copies.
func (r *reader) holds(q wire.PullRequest) (bool, error) {
	if q.Place.IsZero() {
		return len(q.Copies) == 0, nil
	}
	here, err := r.placeOf(q.Place.Seq)
	return here == q.Place, err
}

// placeOf is the place of a message; zero where it is not in the model.
func (r *reader) placeOf(seq uint64) (wire.Place, error) {
	var p wire.Place
	err := r.each(`SELECT hash FROM push WHERE seq=?`, []any{int64(seq)}, func(rows *sql.Rows) error {
		var hash []byte
		err := rows.Scan(&hash)
		copy(p.Hash[:], hash)
		p.Seq, p.Created = seq, r.m.place().Created
		return err
	})
	return p, err
}

// newest is the sequence of the newest message; 0 where there is none.
func (r *reader) newest() (uint64, error) {
	seq, err := column[uint64](r, `SELECT coalesce(max(seq), 0) FROM push`)
	if err != nil {
		return 0, err
	}
	return seq[0], nil
}
