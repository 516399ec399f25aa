package gate

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"slices"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/stream"
)

// A device forks where two copies of its folder both write: two records bear one number. From the moment that a fork is
// seen the device is frozen: nothing more goes on push.<device>, from neither copy. What either copy still holds is
// brought with "branch" and stored on branch.<device> in RECORDS, whole. That one branch came first says nothing about
// which one is right: each message there says where its branch parts from those that were there before, and from the
// parting on no record counts, of neither branch, until the office has settled which one stands.
//
// What is stored there of one device is a tree: a message goes on from a record of push.<device> or from one of another
// message, and brings only records that are not there yet. So a copy can bring its branch again from where it parts, in
// pieces of another size, and three copies can part from each other anywhere.

const (
	maxBranches  = 64 << 20 // bytes that are stored of a device's branches
	mostPartings = 64       // of one device: for each, whoever reads looks at all that it concerns
)

// Fork is two histories under one name: what the gate saw first of it.
type Fork struct {
	Device events.DeviceID
	At     events.Seq  // a record at which the two differ; earlier ones may too
	Link   events.Hash // there, of the branch that is not in RECORDS
}

// ErrForked is returned where branches of a device cannot be let in one behind the other: they bear the same numbers.
var ErrForked = errors.New("two copies of the device write, and their records bear the same numbers")

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

// frozen answers a push of a frozen device. It gets a receipt up to the cursor, and nothing is stored but what RECORDS has lost.
func (g *Gate) frozen(ctx context.Context, device events.DeviceID, known Device, data []byte) (wire.Answer, error) {
	if q, err := wire.DecodePush(data); err == nil && g.wants(device, q.First) {
		return g.again(ctx, device, known, q)
	}
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
	// The piece may begin with what is there: on the device's own subject, or on another branch.
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
	commit, bad := judge(device, parent.key, known.Office, q, records)
	if bad != nil {
		return *bad, nil
	}
	if !known.Frozen && q.First > c.seq {
		return refused(q.First, "record %d goes on from what the centre has: that is no branch", q.First), nil
	}
	first := events.Link(q.Link, events.HashRecord(records[0]))
	if commit.Parted, err = g.parted(ctx, device, known, t, parent, q, first); err != nil {
		return wire.Answer{}, err
	}
	if n := t.partings[commit.Parted[len(commit.Parted)-1]]; len(commit.Parted) > wire.MaxPartings || !n && len(t.partings) == mostPartings {
		return refused(q.First, "the copies of %s part too often: %d times, and %d on the way to this record", device, len(t.partings), len(commit.Parted)), nil
	}
	// Its seals hold by the device's own key: nobody else can have made it.
	if err := g.froze(Fork{device, q.First, first}, known); err != nil {
		return wire.Answer{}, err
	}
	if bad, err := g.keepBranch(ctx, device, t, commit, records); bad != nil || err != nil {
		return orRefused(bad), err
	}
	return wire.Answer{Status: wire.OK}, nil
}

// keepBranch stores a message of a branch behind the device's last one. It returns the refusal, or nil.
func (g *Gate) keepBranch(ctx context.Context, device events.DeviceID, t *tree, commit *wire.Commit, records [][]byte) (*wire.Answer, error) {
	data, bad, err := g.pack(commit, records)
	if bad != nil || err != nil {
		return bad, err
	}
	if t.bytes+len(data) > maxBranches {
		no := refused(commit.Range.From, "%d bytes are stored of the branches of %s already; at most %d ever are", t.bytes, device, maxBranches)
		return &no, nil
	}
	_, err = g.cfg.Log.branches.append(ctx, device, t.last, data)
	return nil, err
}

// restoreBranch does what Restore does, for a message of a branch. One that is there already is not stored again.
func (g *Gate) restoreBranch(ctx context.Context, known Device, place wire.Place, was *wire.Commit, records [][]byte) error {
	g.trees.Lock()
	defer g.trees.Unlock()
	t, err := g.treeOf(ctx, was.Device, known)
	if err != nil {
		return err
	}
	if _, there := t.nodes[was.Seq][was.Link]; there {
		return nil
	}
	main, _, err := g.main(ctx, was.Device, known, was.Range.From-1)
	if err != nil {
		return fmt.Errorf("records %d to %d of a branch of %s: %w: %w", was.Range.From, was.Range.To, was.Device, ErrGap, err)
	}
	if _, ok := t.before(main, was, records); !ok {
		return fmt.Errorf("records %d to %d of a branch of %s: %w", was.Range.From, was.Range.To, was.Device, ErrGap)
	}
	commit := *was
	commit.Original = g.firstReceipt(was, place)
	bad, err := g.keepBranch(ctx, was.Device, t, &commit, records)
	if bad != nil {
		err = fmt.Errorf("%w: %s", stream.ErrUnavailable, bad.Reason)
	}
	return err
}

// orRefused is the refusal, where there is one.
func orRefused(bad *wire.Answer) wire.Answer {
	if bad == nil {
		return wire.Answer{}
	}
	return *bad
}

// tree is what is stored of a device's branches.
type tree struct {
	device   events.DeviceID
	last     uint64                              // sequence of the last message of it that is known
	bytes    int                                 // of those messages
	nodes    map[events.Seq]map[events.Hash]node // by number and link of a record
	next     map[events.Hash]events.Hash         // by the link of a record, that of the one that came first behind it
	partings map[events.Parting]bool
	orphans  []orphan // messages that go on from what RECORDS has lost
}

// orphan is a message of a branch that nothing known leads to.
type orphan struct {
	commit  *wire.Commit
	records [][]byte
}

// node is a record as the next one goes on from it.
type node struct {
	key    ed25519.PublicKey // that seals behind it
	parted []events.Parting  // on the way to it
}

// treeOf brings the tree of a device up to date; the last one that was asked for is remembered. It needs trees.
func (g *Gate) treeOf(ctx context.Context, device events.DeviceID, known Device) (*tree, error) {
	if g.tree.device != device {
		g.tree = tree{
			device: device, nodes: map[events.Seq]map[events.Hash]node{}, next: map[events.Hash]events.Hash{}, partings: map[events.Parting]bool{},
		}
	}
	t := &g.tree
	for {
		seq, data, err := g.cfg.Log.branches.next(ctx, device, t.last+1)
		if err != nil || seq == 0 {
			return t, err
		}
		commit, records, err := wire.DecodeStored(data)
		if err != nil {
			return nil, fmt.Errorf("message %d in %s cannot be read: %w", seq, wire.Records.Name, err)
		}
		if err := g.grow(ctx, device, known, t, orphan{commit, records}); err != nil {
			return nil, err
		}
		t.last, t.bytes = seq, t.bytes+len(data)
	}
}

// grow takes in a message, and those that waited for it. What it goes on from may be lost, and come back behind it.
func (g *Gate) grow(ctx context.Context, device events.DeviceID, known Device, t *tree, m orphan) error {
	waiting := append(slices.Clip(t.orphans), m)
	for grown := true; grown; {
		grown = false
		var rest []orphan
		for _, m := range waiting {
			main, _, err := g.main(ctx, device, known, m.commit.Range.From-1)
			if err != nil {
				return err
			}
			if before, ok := t.before(main, m.commit, m.records); ok {
				t.add(before, m.commit, m.records)
				grown = true
			} else {
				rest = append(rest, m)
			}
		}
		waiting = rest
	}
	t.orphans = waiting
	return nil
}

// before is the link before a message, which is not stored: it is the one from which its records lead to its end, that of
// the device's own subject or one of the tree.
func (t *tree) before(main events.Hash, c *wire.Commit, records [][]byte) (events.Hash, bool) {
	from := []events.Hash{main}
	for link := range t.nodes[c.Range.From-1] {
		from = append(from, link)
	}
	for _, first := range from {
		link := first
		for _, raw := range records {
			link = events.Link(link, events.HashRecord(raw))
		}
		if link == c.Link {
			return first, true
		}
	}
	return events.Hash{}, false
}

// add takes in a message behind a link.
func (t *tree) add(before events.Hash, c *wire.Commit, records [][]byte) {
	for i, raw := range records {
		link := events.Link(before, events.HashRecord(raw))
		if _, there := t.next[before]; !there {
			t.next[before] = link
		}
		seq := c.Range.From + events.Seq(i)
		if t.nodes[seq] == nil {
			t.nodes[seq] = map[events.Hash]node{}
		}
		n := node{c.Key, c.Parted}
		if i == len(records)-1 {
			n.key = keyAfter(c, records)
		}
		t.nodes[seq][link], before = n, link
	}
	for _, p := range c.Parted {
		t.partings[p] = true
	}
}

// parted is the partings on the way to the record of that link, with which q begins; parent is the record before it.
func (g *Gate) parted(ctx context.Context, device events.DeviceID, known Device, t *tree, parent node, q wire.PushRequest, link events.Hash) ([]events.Parting, error) {
	other, there := t.next[q.Link]
	if len(parent.parted) == 0 { // it is on the device's own subject
		switch main, key, err := g.main(ctx, device, known, q.First); {
		case err != nil:
			return nil, err
		case key != nil:
			other, there = main, true
		}
	}
	switch {
	case there:
	case len(parent.parted) > 0: // it is where its branch ends
		return parent.parted, nil
	default:
		other = link // it goes on from where the device's own subject ends, the first that does
	}
	return append(slices.Clip(parent.parted), events.Parting{Seq: q.First, Link: link, Other: other}), nil
}

// main is the link at a record of the device's own subject, and the key that seals behind it; a nil key where that goes
// less far.
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
	link, key, err := g.cfg.Reader.ChainAt(ctx, device, seq)
	if err == nil && key == nil {
		err = fmt.Errorf("record %d of %s has not come to the read model yet", seq, device)
	}
	return link, key, err
}

// point finds a record by its number and link, on the device's own subject or in the tree.
func (g *Gate) point(ctx context.Context, device events.DeviceID, known Device, t *tree, seq events.Seq, link events.Hash) (node, bool, error) {
	if n, ok := t.nodes[seq][link]; ok {
		return n, true, nil
	}
	at, key, err := g.main(ctx, device, known, seq)
	return node{key: key}, err == nil && key != nil && at == link, err
}
