package publog

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"sort"

	"golang.org/x/mod/sumdb/tlog"

	"ullage/events"
	"ullage/events/checkpoint"
)

// edge is the right edge of the tree: the roots of its complete subtrees, the largest first. It is all that it takes to
// add leaves and to know the root.
type edge struct {
	size  uint64
	roots []tlog.Hash
}

// add adds a leaf, and appends to stored what the file of hashes gets by it, in its order.
func (e *edge) add(leaf events.Hash, stored []tlog.Hash) []tlog.Hash {
	h := tlog.Hash(leaf)
	stored = append(stored, h)
	for n := e.size; n&1 == 1; n >>= 1 {
		last := len(e.roots) - 1
		h = tlog.NodeHash(e.roots[last], h)
		e.roots = e.roots[:last]
		stored = append(stored, h)
	}
	e.roots = append(e.roots, h)
	e.size++
	return stored
}

func (e *edge) root() events.Hash {
	if e.size == 0 {
		return checkpoint.Empty()
	}
	last := len(e.roots) - 1
	h := e.roots[last]
	for i := last - 1; i >= 0; i-- {
		h = tlog.NodeHash(e.roots[i], h)
	}
	return events.Hash(h)
}

func (e *edge) clone() edge { return edge{e.size, slices.Clone(e.roots)} }

const hashSize = int64(tlog.HashSize)

// hashes is the file of the tree's hashes, in the order of tlog.StoredHashIndex. It is not synced: it is compared with
// the entries, and made good, whenever it is opened.
type hashes struct{ f *os.File }

func openHashes(path string) (*os.File, error) {
	return os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
}

// cut leaves what a tree of size leaves has.
func (h hashes) cut(size uint64) error {
	return h.f.Truncate(tlog.StoredHashCount(int64(size)) * hashSize)
}

// ReadHashes makes it a tlog.HashReader.
func (h hashes) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	list := make([]tlog.Hash, len(indexes))
	for i, x := range indexes {
		if _, err := h.f.ReadAt(list[i][:], x*hashSize); err != nil {
			return nil, fmt.Errorf("hash %d of the public log: %w", x, err)
		}
	}
	return list, nil
}

func (h hashes) leaf(index uint64) (events.Hash, error) {
	list, err := h.ReadHashes([]int64{tlog.StoredHashIndex(0, int64(index))})
	if err != nil {
		return events.Hash{}, err
	}
	return events.Hash(list[0]), nil
}

func (h hashes) write(index int64, list []tlog.Hash) error {
	if _, err := h.f.WriteAt(flat(list), index*hashSize); err != nil {
		return fmt.Errorf("hashes of the public log: %w", err)
	}
	return nil
}

func flat(list []tlog.Hash) []byte {
	b := make([]byte, 0, len(list)*tlog.HashSize)
	for _, x := range list {
		b = append(b, x[:]...)
	}
	return b
}

// makeGood makes the file hold exactly the list at index: it writes only where it differs.
func (h hashes) makeGood(index int64, list []tlog.Hash) error {
	want := flat(list)
	got := make([]byte, len(want))
	n, err := h.f.ReadAt(got, index*hashSize)
	if err != nil && !errors.Is(err, io.EOF) {
		return fmt.Errorf("hashes of the public log: %w", err)
	}
	if n == len(want) && string(got) == string(want) {
		return nil
	}
	return h.write(index, list)
}

// stretch is leaves of a device's records that follow each other in its chain and in the log.
type stretch struct {
	first events.Seq
	leaf  uint64 // index of the first
	n     uint32 // at most wire.MaxRecords
}

// chain is where the leaves of a device stand.
type chain struct {
	stretches []stretch  // ascending by first; they overlap where there are two records of a number
	end       events.Seq // behind all of them
}

type index map[events.DeviceID]*chain

func (x index) add(device events.DeviceID, s stretch) {
	c := x[device]
	if c == nil {
		c = &chain{}
		x[device] = c
	}
	at := len(c.stretches)
	if s.first < c.end {
		at = sort.Search(len(c.stretches), func(i int) bool { return c.stretches[i].first > s.first })
	}
	c.stretches = slices.Insert(c.stretches, at, s)
	c.end = max(c.end, s.first+events.Seq(s.n))
}

// leaves are the indexes of all leaves of records of that number: more than one where there were two of them.
func (x index) leaves(device events.DeviceID, seq events.Seq) (all []uint64) {
	c := x[device]
	if c == nil || seq >= c.end {
		return nil
	}
	at := sort.Search(len(c.stretches), func(i int) bool { return c.stretches[i].first > seq })
	for at--; at >= 0; at-- {
		s := c.stretches[at]
		if s.first+longest <= seq {
			break // no stretch is longer
		}
		if seq < s.first+events.Seq(s.n) {
			all = append(all, s.leaf+uint64(seq-s.first))
		}
	}
	slices.Reverse(all)
	return all
}
