package gate

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"

	"ullage/events"
	"ullage/events/wire"
)

// A device forks where two copies of its folder both write: two records bear one number. RECORDS keeps the branch that
// came first, as it is; that says nothing about which one is right. From the moment that a fork is seen the device is
// frozen: nothing more goes into RECORDS under its name, from neither copy. What either copy still holds is brought
// with "branch" and stored on aside.<device>, whole, every record held; which branch stands the office settles.
//
// What is stored there of one device is a tree: a message goes on from a record of RECORDS or from one of another
// message, and brings only records that are not there yet. So a copy can bring its branch again from where it parts, in
// pieces of another size, and three copies can part from each other anywhere.

// Fork is two histories under one name: what the gate saw first of it.
type Fork struct {
	Device events.DeviceID
	At     events.Seq  // a record at which the two differ; earlier ones may too
	Link   events.Hash // there, of the branch that is not in RECORDS
}

// ErrForked is returned where branches of a device cannot be let in one behind the other: they bear the same numbers.
var ErrForked = errors.New("two copies of the device write, and their records bear the same numbers")

const whyBranch = "it is of a branch that the office has not settled"

// froze tells whether a device is frozen, and freezes it where a fork is seen.
func (g *Gate) froze(f Fork, known Device) error {
	if known.Frozen {
		return nil
	}
	if g.cfg.Forked == nil {
		return errors.New("nobody freezes devices here")
	}
	if err := g.cfg.Forked(f); err != nil {
		return fmt.Errorf("freeze %s: %w", f.Device, err)
	}
	return nil
}

// frozen answers a push of a frozen device. It gets a receipt up to the cursor, and nothing is stored.
func (g *Gate) frozen(ctx context.Context, device events.DeviceID, known Device) (wire.Answer, error) {
	c, err := g.reread(ctx, device, known)
	if err != nil {
		return wire.Answer{}, err
	}
	return wire.Answer{Status: wire.Fork, At: c.seq, Body: g.answerAt(device, c), Reason: wordsFrozen}, nil
}

const wordsFrozen = "this device has forked: under its name nothing is taken any more"

// branch takes a stretch of a branch. It is a push in form and judged as one, but by where it goes on, not by the
// cursor. The answer is OK where all of it is at the centre.
func (g *Gate) branch(ctx context.Context, device events.DeviceID, known Device, data []byte) (wire.Answer, error) {
	q, err := wire.DecodePush(data)
	if err != nil {
		return refused(0, "%v", err), nil
	}
	records, bad := expand(q)
	if bad != nil {
		return *bad, nil
	}
	c, err := g.reread(ctx, device, known) // memory may lag behind another gate
	if err != nil {
		return wire.Answer{}, err
	}
	g.trees.Lock()
	defer g.trees.Unlock()
	t, err := g.treeOf(ctx, device, known)
	if err != nil {
		return wire.Answer{}, err
	}
	// The piece may begin with what is there: in RECORDS, or on another branch.
	parent, ok, err := g.point(ctx, device, known, t, q.First-1, q.Link)
	if err != nil {
		return wire.Answer{}, err
	}
	if !ok {
		return refused(q.First, "nothing at the centre ends with that link before record %d; the branch is brought from where it parts", q.First), nil
	}
	for len(records) > 0 {
		link := events.Link(q.Link, events.HashRecord(records[0]))
		next, ok, err := g.point(ctx, device, known, t, q.First, link)
		if err != nil {
			return wire.Answer{}, err
		}
		if !ok {
			break
		}
		parent, records, q.Link, q.First = next, records[1:], link, q.First+1
	}
	if len(records) == 0 {
		return wire.Answer{Status: wire.OK}, nil
	}
	for len(q.Seals) > 0 && q.Seals[0].Seq < q.First {
		q.Seals = q.Seals[1:]
	}
	commit, bad := judge(device, parent, known.Office, q, records)
	if bad != nil {
		return *bad, nil
	}
	if !known.Frozen && q.First > c.seq {
		return refused(q.First, "record %d goes on from what the centre has: that is no branch", q.First), nil
	}
	// Its seals hold by the device's own key: nobody else can have made it.
	if err := g.froze(Fork{device, q.First, events.Link(q.Link, events.HashRecord(records[0]))}, known); err != nil {
		return wire.Answer{}, err
	}
	holdAll(commit, records, whyBranch)
	if bad, err := g.keepAside(ctx, device, t.last, commit, records); bad != nil || err != nil {
		return orRefused(bad), err
	}
	return wire.Answer{Status: wire.OK}, nil
}

// orRefused is the refusal, where there is one.
func orRefused(bad *wire.Answer) wire.Answer {
	if bad == nil {
		return wire.Answer{}
	}
	return *bad
}

// tree is what is stored aside of a device's branches.
type tree struct {
	device events.DeviceID
	last   uint64                                           // sequence in ASIDE up to which it is known
	ends   map[events.Seq]map[events.Hash]ed25519.PublicKey // by number and link of a record, the key that seals behind it
}

// treeOf brings the tree of a device up to date; the last one that was asked for is remembered. It needs trees.
func (g *Gate) treeOf(ctx context.Context, device events.DeviceID, known Device) (*tree, error) {
	if g.tree.device != device {
		g.tree = tree{device: device, ends: map[events.Seq]map[events.Hash]ed25519.PublicKey{}}
	}
	t := &g.tree
	for {
		seq, data, err := g.cfg.Log.aside.next(ctx, device, t.last+1)
		if err != nil || seq == 0 {
			return t, err
		}
		commit, records, err := wire.DecodeStored(data)
		if err != nil {
			return nil, fmt.Errorf("message %d in %s cannot be read: %w", seq, wire.Aside.Name, err)
		}
		main, _, err := g.main(ctx, device, known, commit.Range.From-1)
		if err != nil {
			return nil, err
		}
		if !t.add(main, commit, records) {
			return nil, fmt.Errorf("message %d in %s goes on from nothing that is there", seq, wire.Aside.Name)
		}
		t.last = seq
	}
}

// add takes in a message. The link before it is not stored: it is the one from which its records lead to its end, that
// of RECORDS or one of the tree.
func (t *tree) add(main events.Hash, c *wire.Commit, records [][]byte) bool {
	from := []events.Hash{main}
	for link := range t.ends[c.Range.From-1] {
		from = append(from, link)
	}
	for _, link := range from {
		links := make([]events.Hash, 0, len(records))
		for _, raw := range records {
			link = events.Link(link, events.HashRecord(raw))
			links = append(links, link)
		}
		if link != c.Link {
			continue
		}
		for i, at := range links {
			key := c.Key
			if i == len(links)-1 {
				key = keyAfter(c, records)
			}
			seq := c.Range.From + events.Seq(i)
			if t.ends[seq] == nil {
				t.ends[seq] = map[events.Hash]ed25519.PublicKey{}
			}
			t.ends[seq][at] = key
		}
		return true
	}
	return false
}

// main is the link at a record of RECORDS, and the key that seals behind it; a nil key where RECORDS goes less far.
func (g *Gate) main(ctx context.Context, device events.DeviceID, known Device, seq events.Seq) (events.Hash, ed25519.PublicKey, error) {
	if seq == 0 {
		return events.FirstLink(device, known.Key), known.Key, nil
	}
	c, err := g.cursor(ctx, device, known)
	switch {
	case err != nil:
		return events.Hash{}, nil, err
	case seq == c.seq:
		return c.link, c.key, nil
	case seq > c.seq:
		return events.Hash{}, nil, nil
	}
	return g.cfg.Reader.ChainAt(ctx, device, seq)
}

// point finds a record by its number and link, in RECORDS or in the tree, and the key that seals behind it.
func (g *Gate) point(ctx context.Context, device events.DeviceID, known Device, t *tree, seq events.Seq, link events.Hash) (ed25519.PublicKey, bool, error) {
	if key, ok := t.ends[seq][link]; ok {
		return key, true, nil
	}
	at, key, err := g.main(ctx, device, known, seq)
	return key, err == nil && key != nil && at == link, err
}
