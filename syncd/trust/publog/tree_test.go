package publog

import (
	"encoding/hex"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/mod/sumdb/tlog"

	"ullage/events"
	"ullage/events/checkpoint"
)

// The reference tree of github.com/transparency-dev/merkle v0.0.2 (testonly), for RFC 6962, section 2.1: its leaves, its
// roots, and proofs of its tests.
func TestReferenceTree(t *testing.T) {
	entries := []string{"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f"}
	roots := map[int]string{
		0: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
		1: "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		2: "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
		4: "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
		8: "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
	}
	f, err := os.Create(filepath.Join(t.TempDir(), "hashes"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h, e := hashes{f}, edge{}
	for i := 0; ; i++ {
		if want, ok := roots[i]; ok && e.root().String() != want {
			t.Errorf("root of %d is %s, want %s", i, e.root(), want)
		}
		if i == len(entries) {
			break
		}
		data, err := hex.DecodeString(entries[i])
		if err != nil {
			t.Fatal(err)
		}
		at := tlog.StoredHashCount(int64(e.size))
		if err := h.write(at, e.add(events.HashRecord(data), nil)); err != nil {
			t.Fatal(err)
		}
	}
	l := &Log{tree: &tree{edge: e, root: e.root(), hashes: h}}
	const ca85, d37e = "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0", "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"
	for _, x := range []struct {
		name string
		got  func() ([]events.Hash, error)
		want []string
	}{
		{"leaf 5 of 8", func() ([]events.Hash, error) { return l.Proof(5, 8) }, []string{"bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b", ca85, d37e}},
		{"leaf 0 of 8", func() ([]events.Hash, error) { return l.Proof(0, 8) }, []string{
			"96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7", "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
			"6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
		}},
		{"leaf 2 of 3", func() ([]events.Hash, error) { return l.Proof(2, 3) }, []string{"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125"}},
		{"leaf 0 of 1", func() ([]events.Hash, error) { return l.Proof(0, 1) }, nil},
		{"6 to 8", func() ([]events.Hash, error) { return l.Extension(6, 8) }, []string{"0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a", ca85, d37e}},
		{"2 to 5", func() ([]events.Hash, error) { return l.Extension(2, 5) }, []string{"5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e", "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"}},
		{"4 to 8", func() ([]events.Hash, error) { return l.Extension(4, 8) }, []string{"6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"}},
		{"1 to 1", func() ([]events.Hash, error) { return l.Extension(1, 1) }, nil},
	} {
		p, err := x.got()
		var got []string
		for _, h := range p {
			got = append(got, h.String())
		}
		if diff := cmp.Diff(x.want, got); err != nil || diff != "" {
			t.Errorf("%s: %v\n%s", x.name, err, diff)
		}
	}
}

// The edge is what tlog computes from all hashes.
func TestEdge(t *testing.T) {
	var all []tlog.Hash
	read := tlog.HashReaderFunc(func(indexes []int64) (list []tlog.Hash, err error) {
		for _, i := range indexes {
			list = append(list, all[i])
		}
		return list, nil
	})
	var e edge
	var leaves []events.Hash
	for n := range int64(300) {
		leaf := events.HashRecord([]byte{byte(n), byte(n >> 8)})
		leaves = append(leaves, leaf)
		want, err := tlog.StoredHashesForRecordHash(n, tlog.Hash(leaf), read)
		if err != nil {
			t.Fatal(err)
		}
		before := e.clone()
		got := e.add(leaf, nil)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("what leaf %d adds:\n%s", n, diff)
		}
		all = append(all, got...)
		if e.root() != checkpoint.Root(leaves) {
			t.Fatalf("another root of %d", n+1)
		}
		if n > 0 && before.root() != checkpoint.Root(leaves[:n]) {
			t.Fatalf("adding a leaf to a clone has changed the edge before")
		}
	}
}

// The index finds what a plain map finds, with branches and healed ranges in it.
func TestIndex(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	x, plain := index{}, map[events.Seq][]uint64{}
	leaf := uint64(0)
	for range 2000 {
		s := stretch{events.Seq(1 + random.IntN(3000)), leaf, uint32(1 + random.IntN(longest))}
		if random.IntN(3) > 0 {
			s.first, s.n = max(1, endOf(x, "tab-1")), min(s.n, 5)
		}
		x.add("tab-1", s)
		for i := range uint64(s.n) {
			seq := s.first + events.Seq(i)
			plain[seq] = append(plain[seq], s.leaf+i)
		}
		leaf += uint64(s.n)
	}
	for seq := events.Seq(0); seq < endOf(x, "tab-1")+10; seq++ {
		got := map[uint64]bool{}
		for _, i := range x.leaves("tab-1", seq) {
			got[i] = true
		}
		want := map[uint64]bool{}
		for _, i := range plain[seq] {
			want[i] = true
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("leaves of record %d:\n%s", seq, diff)
		}
	}
	if x.leaves("tab-2", 1) != nil || endOf(x, "tab-2") != 0 {
		t.Error("a device without records has leaves")
	}
}

// endOf is behind the last record of a device that has a leaf.
func endOf(x index, device events.DeviceID) events.Seq {
	if c := x[device]; c != nil {
		return c.end
	}
	return 0
}
