package dossier

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"

	"ullage/events"
	form "ullage/events/dossier"
	"ullage/events/wire"
	"ullage/syncd/store"
)

// line is some pushes of a device's chain.
type line struct {
	w      *work
	device events.DeviceID
	pushes []store.Push // ascending by their first record
}

func (w *work) line(d events.DeviceID) *line {
	l := w.lines[d]
	if l == nil {
		l = &line{w: w, device: d}
		w.lines[d] = l
	}
	return l
}

// find finds the push that brought a record, among those that are here.
func (l *line) find(seq events.Seq) (store.Push, bool) {
	i, _ := slices.BinarySearchFunc(l.pushes, seq+1, func(p store.Push, s events.Seq) int { return cmp.Compare(p.Commit.Range.From, s) })
	for i--; i >= 0 && l.pushes[i].Commit.Range.From+wire.MaxRecords > seq; i-- {
		if l.pushes[i].Commit.Range.To >= seq {
			return l.pushes[i], true
		}
	}
	return store.Push{}, false
}

// push finds the push that brought a record, and takes it along.
func (l *line) push(seq events.Seq) (store.Push, error) {
	p, ok := l.find(seq)
	if ok {
		return p, nil
	}
	p, err := l.w.Store.Push(l.w.ctx, l.device, seq)
	if err == nil {
		l.take(p)
	}
	return p, err
}

func (l *line) take(p store.Push) {
	i, _ := slices.BinarySearchFunc(l.pushes, p.Commit.Range.From, func(p store.Push, s events.Seq) int { return cmp.Compare(p.Commit.Range.From, s) })
	l.pushes = slices.Insert(l.pushes, i, p)
}

// shows lists the numbers of the records of the line that are shown, ascending; only those of the dossier's own
// concern where that is asked.
func (l *line) shows(concern bool) (all []events.Seq) {
	for n, x := range l.w.items {
		if n.Device == l.device && (!concern || x.part == form.Subject || x.part == form.Related) {
			all = append(all, n.Seq)
		}
	}
	slices.Sort(all)
	return all
}

// chains gathers the stretches of the devices' chains.
func (w *work) chains() error {
	for _, n := range w.names() {
		if _, err := w.line(n.Device).push(n.Seq); err != nil {
			return err
		}
	}
	for _, l := range w.lines {
		if err := l.findSeen(); err != nil {
			return err
		}
		if err := l.close(); err != nil {
			return err
		}
	}
	return nil
}

// lookBack is how many records before one are looked through for the last checkpoint that its device had seen.
const lookBack = 2000

// findSeen shows, for each record of the dossier's concern, the last checkpoint that its device had seen before it, and
// the stretch from there.
func (l *line) findSeen() error {
	var before events.Seq // the record of concern before
	var last *form.Checkpoint
	for _, seq := range l.shows(true) {
		found, reached := (*form.Checkpoint)(nil), false
		var on []store.Push // the way there
		at := seq - 1
		for ; at > 0 && seq-at <= lookBack && found == nil; at-- {
			if at == before && last != nil {
				reached = true
				break
			}
			p, ok := l.find(at)
			if !ok {
				if n := len(on); n > 0 && on[n-1].Commit.Range.From <= at {
					p = on[n-1]
				} else {
					var err error
					if p, err = l.w.Store.Push(l.w.ctx, l.device, at); err != nil {
						return err
					}
					on = append(on, p)
				}
			}
			var err error
			if found, err = l.w.checkpointIn(p.Records[at-p.Commit.Range.From]); err != nil {
				return err
			}
		}
		if found != nil || reached {
			for _, p := range on {
				l.take(p)
			}
		}
		switch {
		case found != nil:
			l.w.seen = append(l.w.seen, *found)
			last = found
		case !reached:
			last = nil
		}
		before = seq
	}
	return nil
}

// checkpointIn reads a record that tells of a checkpoint of this log as it was, and shows it; nil where it does not.
func (w *work) checkpointIn(raw []byte) (*form.Checkpoint, error) {
	if !bytes.Contains(raw, []byte("checkpoint.seen")) {
		return nil, nil
	}
	r, err := events.DecodeRecord(raw)
	if err != nil || r.Site != "" || r.Machine != "" || !r.Visit.IsZero() {
		return nil, nil // whatever it is, it is not of the form that counts
	}
	body, err := events.DecodeBody(r.Kind, r.V, r.Body)
	b, ok := body.(*events.CheckpointSeen)
	if err != nil || !ok || b.Origin != w.at.Origin || b.Size < 1 || uint64(b.Size) > w.at.Size {
		return nil, nil
	}
	root, err := w.Log.Root(uint64(b.Size))
	if err != nil {
		return nil, err
	}
	received, ok := w.Log.Received(uint64(b.Size))
	if root != b.Root || !ok {
		return nil, nil // the alarm about it has been raised elsewhere
	}
	proof, err := w.Log.Extension(uint64(b.Size), w.at.Size)
	if err != nil {
		return nil, err
	}
	n := form.Name{Device: r.Device, Seq: r.Seq}
	if w.items[n] == nil {
		w.items[n] = &item{part: form.Seen, hash: events.HashRecord(raw)}
	}
	return &form.Checkpoint{Record: n, Received: received, Extension: append([]events.Hash{}, proof...)}, nil
}

// close takes along what the pushes need that are here: of a healed one, all that its first receipt was for; and before
// each stretch one that knows its link.
func (l *line) close() error {
	for _, seq := range l.shows(false) {
		p, err := l.push(seq)
		if err != nil {
			return err
		}
		r, err := original(p)
		if err != nil {
			return err
		}
		for at := seq; r != nil && at < r.Last; {
			at++
			next, err := l.push(at)
			if err != nil {
				return err
			}
			at = next.Commit.Range.To
		}
	}
	for i := 0; i < len(l.pushes); i++ {
		if i > 0 && l.pushes[i].Commit.Range.From <= l.pushes[i-1].Commit.Range.To+1 {
			continue
		}
		for {
			_, before, err := l.linkBefore(l.pushes[i])
			if err != nil {
				return err
			}
			if before == nil {
				break
			}
			l.take(*before)
		}
	}
	return nil
}

// original is the first receipt of a healed push, nil for another.
func original(p store.Push) (*wire.Receipt, error) {
	if len(p.Commit.Original) == 0 {
		return nil, nil
	}
	return wire.DecodeReceipt(p.Commit.Original)
}

// linkBefore is the link of the chain before a push, or the push before it where that does not say it.
func (l *line) linkBefore(p store.Push) (events.Hash, *store.Push, error) {
	from := p.Commit.Range.From
	if from == 1 {
		return events.FirstLink(l.device, p.Commit.Key), nil, nil
	}
	before, err := l.w.Store.Push(l.w.ctx, l.device, from-1)
	if err != nil {
		return events.Hash{}, nil, err
	}
	if c := before.Commit; c.Seq == from-1 {
		return c.Link, nil, nil
	}
	return events.Hash{}, &before, nil
}

// shown makes what a dossier shows of the chain: the stretches, and the receipts of the records.
func (l *line) shown() (form.Chain, []form.Receipt, error) {
	chain := form.Chain{Device: l.device}
	links := map[events.Seq]events.Hash{}
	var link events.Hash
	for _, p := range l.pushes {
		from := p.Commit.Range.From
		n := len(chain.Stretches)
		if n == 0 || chain.Stretches[n-1].End()+1 < from {
			before, missing, err := l.linkBefore(p)
			if err == nil && missing != nil {
				err = fmt.Errorf("the link of %s before record %d is not known", l.device, from)
			}
			if err != nil {
				return chain, nil, err
			}
			link = before
			chain.Stretches = append(chain.Stretches, form.Stretch{Before: from - 1, Link: link})
			n++
		}
		s := &chain.Stretches[n-1]
		for i, raw := range p.Records {
			if at := from + events.Seq(i); at > s.End() {
				h := events.HashRecord(raw)
				link = events.Link(link, h)
				links[at] = link
				s.Hashes = append(s.Hashes, h)
			}
		}
		for _, seal := range p.Commit.Seals {
			if k := len(s.Seals); k == 0 || s.Seals[k-1].Seq < seal.Seq {
				s.Seals = append(s.Seals, form.Seal{Seq: seal.Seq, Seen: seal.Seen, Signature: seal.Signature})
			}
		}
	}
	var receipts []form.Receipt
	have := map[events.Seq]bool{}
	for _, seq := range l.shows(false) {
		p, err := l.push(seq)
		if err != nil {
			return chain, nil, err
		}
		r, err := original(p)
		if err != nil {
			return chain, nil, err
		}
		if r == nil || r.First > seq || r.Last < seq {
			c := p.Commit
			r = &wire.Receipt{Device: l.device, First: c.Range.From, Last: c.Range.To, Link: links[c.Range.To], Received: c.Received, Place: p.Place}
			l.w.Receipt(r)
		}
		if !have[r.Last] {
			have[r.Last] = true
			receipts = append(receipts, form.ReceiptOf(r))
		}
	}
	return chain, receipts, nil
}
