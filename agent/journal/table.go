package journal

import (
	"cmp"
	"slices"

	"ullage/events"
)

// catalog tells where the records of a segment are. There are two: a table in memory, of the segment that is being
// written, and an index on disk, of the others.
type catalog interface {
	// span is the first and the last record; the last is before the first where there is none.
	span() Range
	// baseLink is the link before the first record.
	baseLink() events.Hash
	// offset is where the frame of a record of the span begins.
	offset(seq events.Seq) (int64, error)
	// withID and withKey give records that may be the ones; others may be among them.
	withID(id events.RecordID) ([]events.Seq, error)
	withKey(key string) ([]events.Seq, error)
	// notes gives the seals or the receipts, in order.
	notes(t FrameType) ([]note, error)
}

// entry is one record in a table.
type entry struct {
	off uint32
	id  events.RecordID
	key string
}

// note is a seal or a receipt: behind which record it stands, and where.
type note struct {
	seq  events.Seq
	off  uint32
	link events.Hash // link[seq]; only in tables
}

// table is the catalog of a run of records without a gap, in memory.
type table struct {
	base, last place
	recs       []entry
	seals      []note
	receipts   []note
	unlinked   map[events.Seq]place // behind records whose link frame cannot be read

	// Made at the first question, kept up from then on.
	ids  map[events.RecordID]events.Seq
	keys map[string]events.Seq
}

func newTable(base place) *table { return &table{base: base, last: base} }

func (t *table) add(e entry, at place) {
	t.recs = append(t.recs, e)
	t.last = at
	t.learn(e, at.seq)
}

func (t *table) learn(e entry, seq events.Seq) {
	if t.ids == nil {
		return
	}
	t.ids[e.id] = seq
	if e.key != "" {
		t.keys[e.key] = seq
	}
}

// ready makes the maps; who looks things up calls it while nobody writes.
func (t *table) ready() {
	if t.ids != nil {
		return
	}
	t.ids, t.keys = make(map[events.RecordID]events.Seq, len(t.recs)), make(map[string]events.Seq)
	for i, e := range t.recs {
		t.learn(e, t.base.seq+1+events.Seq(i))
	}
}

func (t *table) addNote(kind FrameType, n note) {
	if kind == Seal {
		t.seals = append(t.seals, n)
	} else {
		t.receipts = append(t.receipts, n)
	}
}

func (t *table) span() Range           { return Range{t.base.seq + 1, t.last.seq} }
func (t *table) baseLink() events.Hash { return t.base.link }

func (t *table) offset(seq events.Seq) (int64, error) {
	return int64(t.recs[seq-t.base.seq-1].off), nil
}

func (t *table) withID(id events.RecordID) ([]events.Seq, error) { return one(t.ids[id]), nil }
func (t *table) withKey(key string) ([]events.Seq, error)        { return one(t.keys[key]), nil }

// one is a list of seq, empty for 0.
func one(seq events.Seq) []events.Seq {
	if seq == 0 {
		return nil
	}
	return []events.Seq{seq}
}

func (t *table) notes(kind FrameType) ([]note, error) {
	if kind == Seal {
		return t.seals, nil
	}
	return t.receipts, nil
}

// item is one frame that a caller would know, and where it stands.
type item struct {
	t   FrameType
	off uint32
	key int // of a record: its place in recs
}

// items gives all frames of the table in the order in which they stand in the file.
func (t *table) items() []item {
	all := make([]item, 0, len(t.recs)+len(t.seals)+len(t.receipts))
	for i, e := range t.recs {
		all = append(all, item{Record, e.off, i})
	}
	for _, n := range t.seals {
		all = append(all, item{Seal, n.off, 0})
	}
	for _, n := range t.receipts {
		all = append(all, item{Receipt, n.off, 0})
	}
	slices.SortFunc(all, func(a, b item) int { return cmp.Compare(a.off, b.off) })
	return all
}
