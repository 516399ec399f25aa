package dossier

import (
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"slices"
	"testing"

	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/events/wire"
)

// A small world in which records are written, received and logged, with real keys and real chains, and from which
// dossiers are made. Nothing in it is random.

func seedKey(name string) ed25519.PrivateKey {
	seed := sha256.Sum256([]byte(name))
	return ed25519.NewKeyFromSeed(seed[:])
}

func public(k ed25519.PrivateKey) ed25519.PublicKey { return k.Public().(ed25519.PublicKey) }

const origin = "log.example/1"

type device struct {
	id      events.DeviceID
	key     ed25519.PrivateKey // that seals now
	links   []events.Hash      // from link[0] on
	hashes  []events.Hash
	raws    [][]byte
	pushed  int
	indexes []int // in the log
	commits []commit
}

type commit struct {
	seals   []events.Seal
	receipt wire.Receipt
}

type world struct {
	t       *testing.T
	now     events.Millis
	log     ed25519.PrivateKey
	gate    ed25519.PrivateKey
	leaves  []events.Hash
	times   []events.Millis
	devices map[events.DeviceID]*device
	visit   events.RecordID
	other   events.RecordID
}

func (w *world) device(id events.DeviceID) *device {
	key := seedKey(string(id))
	d := &device{id: id, key: key, links: []events.Hash{events.FirstLink(id, public(key))}}
	w.devices[id] = d
	return d
}

func (w *world) id() events.RecordID {
	w.now += 1000
	var random [10]byte
	h := sha256.Sum256(fmt.Append(nil, w.now))
	copy(random[:], h[:])
	return events.NewRecordID(w.now, random)
}

// write writes a record; change gives what it does not set.
func (w *world) write(d *device, body events.Body, change func(*events.Record)) Name {
	w.t.Helper()
	b, err := events.EncodeBody(body)
	if err != nil {
		w.t.Fatal(err)
	}
	r := &events.Record{ID: w.id(), Device: d.id, Seq: events.Seq(len(d.hashes) + 1), Clock: events.ClockOf(w.now, 0), Done: w.now, Zone: 60, Kind: body.Kind(), V: 1, Body: b}
	if change != nil {
		change(r)
	}
	raw, err := events.EncodeRecord(r)
	if err != nil {
		w.t.Fatal(err)
	}
	h := events.HashRecord(raw)
	d.raws, d.hashes = append(d.raws, raw), append(d.hashes, h)
	d.links = append(d.links, events.Link(d.links[len(d.links)-1], h))
	return Name{d.id, r.Seq}
}

func (d *device) seal(seq events.Seq) events.Seal {
	return events.SignSeal(d.key, d.id, seq, d.links[seq], "")
}

// push brings in what a device has written.
func (w *world) push(d *device) {
	w.now += 60_000
	first, last := events.Seq(d.pushed+1), events.Seq(len(d.hashes))
	r := wire.Receipt{
		Device: d.id, First: first, Last: last, Link: d.links[last], Received: w.now,
		Place: wire.Place{Seq: uint64(len(w.leaves) + 1), Hash: d.links[first], Created: 1_770_000_000_123_456_789},
	}
	r.Sign("office-1", w.gate)
	d.commits = append(d.commits, commit{[]events.Seal{d.seal(last)}, r})
	for _, h := range d.hashes[d.pushed:] {
		d.indexes = append(d.indexes, len(w.leaves))
		w.leaves, w.times = append(w.leaves, h), append(w.times, w.now)
	}
	d.pushed = len(d.hashes)
}

func (w *world) sign(text []byte) ([]byte, error) { return ed25519.Sign(w.log, text), nil }

func (w *world) raw(n Name) []byte { return w.devices[n.Device].raws[n.Seq-1] }

func (w *world) target(n Name) events.Target {
	return events.Target{Device: n.Device, Seq: n.Seq, Hash: events.HashRecord(w.raw(n))}
}

func (w *world) seen(d *device) Name {
	return w.write(d, &events.CheckpointSeen{Origin: origin, Size: int64(len(w.leaves)), Root: checkpoint.Root(w.leaves)}, nil)
}

func (w *world) in(visit events.RecordID) func(*events.Record) {
	return func(r *events.Record) { r.Visit, r.Site, r.Machine, r.By = visit, "north-yard", "nw-01", "T2" }
}

func salted(plain string) (events.Digest, [32]byte) {
	salt := sha256.Sum256([]byte("salt of " + plain))
	return sha256.Sum256(append(salt[:], plain...)), salt
}

// Pieces of the story.
const (
	summary = "What was shown: 12 L sludge out, 45 L in."
	strokes = "M0 0L10 10"
	photo   = "a picture"
)

// story is the visit that dossiers in these tests are about, and the parts of its records: two devices, one of which
// renews its key on the way; a correction after the signature, by the office; evidence in every state.
func story(t *testing.T) (*world, Dossier) {
	w := &world{t: t, now: 1772000000000, log: seedKey("log"), gate: seedKey("gate"), devices: map[events.DeviceID]*device{}}
	w.visit, w.other = w.id(), w.id()
	office, one, two := w.device("office-1"), w.device("tab-1"), w.device("tab-2")
	parts := map[Name]Part{}
	show := func(p Part, n Name) Name { parts[n] = p; return n }

	for _, d := range []*device{one, two} {
		show(Key, w.write(office, &events.DeviceEnrolled{Device: d.id, Keys: []events.DeviceKey{{Use: "sealing", Key: public(d.key)}}}, nil))
	}
	w.write(office, &events.CustomerEntered{Code: "C-9"}, nil)
	w.push(office)
	show(Seen, w.seen(one))
	w.write(one, &events.VisitOpened{Reason: "planned"}, w.in(w.other))
	show(Subject, w.write(one, &events.VisitOpened{Reason: "planned"}, w.in(w.visit)))
	sum, salt := salted(summary)
	ink, inkSalt := salted(strokes)
	gone, _ := salted("a name")
	late, _ := salted(photo)
	big, _ := salted("a film")
	u := 0.25
	removed := show(Subject, w.write(one, &events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 12, U: &u}, w.in(w.visit)))
	w.write(one, &events.VisitClosed{Outcome: "complete"}, w.in(w.other))
	show(Subject, w.write(one, &events.PhotoTaken{Evidence: late, Preview: big}, w.in(w.visit)))
	show(Subject, w.write(one, &events.HarmNoted{What: "splash", Evidence: gone}, w.in(w.visit)))
	w.push(one)
	next := seedKey("tab-1, second")
	show(Key, w.write(one, &events.DeviceRenewed{Device: "tab-1", Keys: []events.DeviceKey{{Use: "sealing", Key: public(next)}}}, nil))
	w.push(one)
	one.key = next
	show(Subject, w.write(one, &events.SignatureCaptured{Evidence: ink, Shown: sum, Reader: "self"}, w.in(w.visit)))
	show(Subject, w.write(one, &events.VisitClosed{Outcome: "complete"}, w.in(w.visit)))
	w.push(one)
	show(Subject, w.write(two, &events.TimeSpent{What: "work", Minutes: 30}, w.in(w.visit)))
	w.push(two)
	body, err := events.EncodeBody(&events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 13, U: &u})
	if err != nil {
		t.Fatal(err)
	}
	show(Related, w.write(office, &events.RecordAmended{Target: w.target(removed), Body: body, Why: events.Text{Plain: "misread"}}, nil))
	erasure := show(Erasure, w.write(office, &events.ErasureDone{Evidence: []events.Digest{gone}, Ground: events.Text{Plain: "asked for"}}, func(r *events.Record) { r.By = "O1" }))
	show(Key, w.write(office, &events.DeviceRevoked{Device: "tab-2"}, nil))
	w.push(office)
	w.write(two, &events.TimeSpent{What: "travel", Minutes: 5}, w.in(w.other))
	w.push(two)

	d := w.collect(parts)
	d.About = About{Made: w.now, Visit: w.visit}
	d.Evidence = []Evidence{
		{Digest: sum, State: Here, Salt: salt, Piece: []byte(summary)}, {Digest: ink, State: Here, Salt: inkSalt, Piece: []byte(strokes)},
		{Digest: gone, State: Erased, Erasure: erasure}, {Digest: late, State: NotYet}, {Digest: big, State: Away},
	}
	return w, d
}

// collect gathers what proves some records: whole pushes, with all that belongs to them.
func (w *world) collect(parts map[Name]Part) Dossier {
	names := make([]Name, 0, len(parts))
	for n := range parts {
		names = append(names, n)
	}
	slices.SortFunc(names, compareNames)
	d := Dossier{Keys: Keys{
		Log: checkpoint.KeyName(origin, public(w.log)), Gates: []Held{{"office-1", Hex(public(w.gate))}}, Offices: []Held{{"office-1", Hex(public(seedKey("office-1")))}},
	}}
	now := checkpoint.Checkpoint{Origin: origin, Size: uint64(len(w.leaves)), Root: checkpoint.Root(w.leaves)}
	note, err := checkpoint.Sign(now, w.log)
	if err != nil {
		w.t.Fatal(err)
	}
	d.Log.Checkpoint = note
	pushes := map[Name]bool{}
	for _, n := range names {
		from := w.devices[n.Device]
		raw := w.raw(n)
		d.Records = append(d.Records, Record{Part: parts[n], Raw: raw})
		index := from.indexes[n.Seq-1]
		d.Log.Leaves = append(d.Log.Leaves, Leaf{n, uint64(index), inclusion(w.leaves, index)})
		if parts[n] == Seen {
			r, err := events.DecodeRecord(raw)
			if err != nil {
				w.t.Fatal(err)
			}
			b, err := events.DecodeBody(r.Kind, r.V, r.Body)
			if err != nil {
				w.t.Fatal(err)
			}
			size := int(b.(*events.CheckpointSeen).Size)
			d.Log.Seen = append(d.Log.Seen, Checkpoint{n, w.times[size-1], extension(w.leaves, size)})
		}
		for _, c := range from.commits {
			if key := (Name{n.Device, c.receipt.First}); c.receipt.First <= n.Seq && n.Seq <= c.receipt.Last && !pushes[key] {
				pushes[key] = true
				d.Receipts = append(d.Receipts, ReceiptOf(&c.receipt))
				if len(d.Chains) == 0 || d.Chains[len(d.Chains)-1].Device != n.Device {
					d.Chains = append(d.Chains, Chain{Device: n.Device})
				}
				chain := &d.Chains[len(d.Chains)-1]
				if k := len(chain.Stretches); k == 0 || chain.Stretches[k-1].End() != c.receipt.First-1 {
					chain.Stretches = append(chain.Stretches, Stretch{Before: c.receipt.First - 1, Link: from.links[c.receipt.First-1]})
				}
				s := &chain.Stretches[len(chain.Stretches)-1]
				s.Hashes = append(s.Hashes, from.hashes[c.receipt.First-1:c.receipt.Last]...)
				for _, seal := range c.seals {
					s.Seals = append(s.Seals, Seal{seal.Seq, seal.Seen, seal.Signature})
				}
			}
		}
	}
	return d
}

// inclusion is the audit path of a leaf, by the definition in RFC 9162, section 2.1.3.1.
func inclusion(leaves []events.Hash, m int) []events.Hash {
	if len(leaves) == 1 {
		return []events.Hash{}
	}
	k := split(len(leaves))
	if m < k {
		return append(inclusion(leaves[:k], m), checkpoint.Root(leaves[k:]))
	}
	return append(inclusion(leaves[k:], m-k), checkpoint.Root(leaves[:k]))
}

// extension is the consistency proof of the first m leaves, by the definition in RFC 9162, section 2.1.4.1.
func extension(leaves []events.Hash, m int) []events.Hash {
	if m == len(leaves) {
		return []events.Hash{}
	}
	return subproof(m, leaves, true)
}

func subproof(m int, leaves []events.Hash, whole bool) []events.Hash {
	if m == len(leaves) {
		if whole {
			return []events.Hash{}
		}
		return []events.Hash{checkpoint.Root(leaves)}
	}
	k := split(len(leaves))
	if m <= k {
		return append(subproof(m, leaves[:k], whole), checkpoint.Root(leaves[k:]))
	}
	return append(subproof(m-k, leaves[k:], false), checkpoint.Root(leaves[:k]))
}

func split(n int) int {
	k := 1
	for 2*k < n {
		k *= 2
	}
	return k
}

func mustMake(t *testing.T, w *world, d Dossier) []byte {
	t.Helper()
	b, err := Make(d, public(w.log), w.sign)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
