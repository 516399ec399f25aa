package publog_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/vmihailenco/msgpack/v5"

	"ullage/events"
)

// A second reader of the file and of the messages in LOG, written from the texts alone: it shares no code with the log.

type plainEntry struct {
	place      [3]any // sequence, hash, creation
	device     string
	received   int64
	leaves     [][]byte
	firsts     []uint64 // number of the record of each leaf
	size, news uint64
	root       []byte
}

// readMessage reads a list of version, origin and entries.
func readMessage(b []byte) (origin string, list []plainEntry, err error) {
	var m []any
	d := msgpack.NewDecoder(bytes.NewReader(b))
	d.UseLooseInterfaceDecoding(true)
	if err := d.Decode(&m); err != nil {
		return "", nil, err
	}
	if len(m) != 3 || number(m[0]) != 1 {
		return "", nil, fmt.Errorf("not a message of version 1: %v", m[0])
	}
	for _, x := range m[2].([]any) {
		f := x.([]any)
		p := f[0].([]any)
		e := plainEntry{place: [3]any{number(p[0]), hex.EncodeToString(data(p[1])), number(p[2])}, device: f[1].(string), received: int64(number(f[2]))}
		for _, r := range f[3].([]any) {
			run := r.([]any)
			all := data(run[1])
			for i := 0; i < len(all); i += 32 {
				e.leaves = append(e.leaves, all[i:i+32])
				e.firsts = append(e.firsts, number(run[0])+uint64(i/32))
			}
		}
		e.size, e.root, e.news = number(f[4]), data(f[5]), number(f[6])
		list = append(list, e)
	}
	return m[1].(string), list, nil
}

// data is a binary: the loose decoder makes a string of it.
func data(x any) []byte { return []byte(x.(string)) }

func number(x any) uint64 {
	switch n := x.(type) {
	case int64:
		return uint64(n)
	case uint64:
		return n
	}
	panic(fmt.Sprintf("%T is no number", x))
}

// readFile reads the frames of a file of entries.
func readFile(b []byte) (origins []string, list []plainEntry, at []uint64, err error) {
	const head = "ullage.log.1\n"
	if !strings.HasPrefix(string(b), head) {
		return nil, nil, nil, fmt.Errorf("it begins with %q", b[:min(len(b), 13)])
	}
	for off := len(head); off < len(b); {
		n := int(binary.LittleEndian.Uint32(b[off:]))
		content := b[off+8 : off+8+n]
		sum := crc32.New(crc32.MakeTable(crc32.Castagnoli))
		binary.Write(sum, binary.LittleEndian, uint64(off))
		binary.Write(sum, binary.LittleEndian, uint32(n))
		sum.Write(content)
		if sum.Sum32() != binary.LittleEndian.Uint32(b[off+4:]) {
			return nil, nil, nil, fmt.Errorf("the sum at %d does not hold", off)
		}
		origin, entries, err := readMessage(content[8:])
		if err != nil {
			return nil, nil, nil, err
		}
		origins, list, at = append(origins, origin), append(list, entries...), append(at, binary.LittleEndian.Uint64(content))
		off += 8 + n
	}
	return origins, list, at, nil
}

// sumAgain makes all sums of a file hold.
func sumAgain(b []byte) {
	for off := len("ullage.log.1\n"); off < len(b); {
		n := int(binary.LittleEndian.Uint32(b[off:]))
		sum := crc32.New(crc32.MakeTable(crc32.Castagnoli))
		binary.Write(sum, binary.LittleEndian, uint64(off))
		binary.Write(sum, binary.LittleEndian, uint32(n))
		sum.Write(b[off+8 : off+8+n])
		binary.LittleEndian.PutUint32(b[off+4:], sum.Sum32())
		off += 8 + n
	}
}

// plainRoot is the root of leaves as FORMAT.md, section 2, has it.
func plainRoot(leaves [][]byte) []byte {
	var h [32]byte
	switch n := len(leaves); n {
	case 0:
		h = sha256.Sum256(nil)
	case 1:
		return leaves[0]
	default:
		k := 1
		for k*2 < n {
			k *= 2
		}
		h = sha256.Sum256(bytes.Join([][]byte{{1}, plainRoot(leaves[:k]), plainRoot(leaves[k:])}, nil))
	}
	return h[:]
}

func TestSecondReader(t *testing.T) {
	w := newWorld(t)
	w.push("tab-1", 3)
	w.push("tab-2", 1)
	c := w.open()
	c.has(w.push("tab-1", 2))
	c.has(w.put("tab-1", 2, [][]byte{record("tab-1", 2, ""), record("tab-1", 3, "fork"), record("tab-1", 4, ""), record("tab-1", 5, ""), record("tab-1", 6, "")}))
	c.has(w.put("tab-1", 1, records("tab-1", 1, 5)))
	newest := c.Newest()
	c.stop()

	public := sha256.Sum256(c.Key())
	origin := "ullage.log/" + hex.EncodeToString(public[:])[:16] + "/1"
	b, err := os.ReadFile(filepath.Join(w.trust.LogDir(), "epoch-1.entries"))
	if err != nil {
		t.Fatal(err)
	}
	origins, inFile, at, err := readFile(b)
	if err != nil {
		t.Fatal(err)
	}
	var inStream []plainEntry
	messages := w.inLog()
	for i, m := range messages {
		o, list, err := readMessage(m.Data)
		if err != nil {
			t.Fatal(err)
		}
		if o != origin || origins[i] != origin || at[i] != m.Sequence {
			t.Errorf("message %d is of %q, the frame of %q at %d, want %q", m.Sequence, o, origins[i], at[i], origin)
		}
		inStream = append(inStream, list...)
	}
	if len(inFile) != 5 || fmt.Sprint(inFile) != fmt.Sprint(inStream) {
		t.Fatalf("the file has\n%v\nLOG has\n%v", inFile, inStream)
	}
	var leaves [][]byte
	for i, e := range inFile {
		leaves = append(leaves, e.leaves...)
		if int(e.size) != len(leaves) || !bytes.Equal(e.root, plainRoot(leaves)) || e.place[0] != uint64(i+1) {
			t.Errorf("entry %d: %+v", i, e)
		}
	}
	// What the entries should say of the records.
	if e := inFile[3]; e.device != "tab-1" || len(e.leaves) != 2 || e.firsts[0] != 3 || e.firsts[1] != 6 || e.received != int64(received)+6 {
		t.Errorf("the fork's entry: %+v", e)
	}
	if want := sha256.Sum256(append([]byte{0}, record("tab-1", 3, "fork")...)); !bytes.Equal(inFile[3].leaves[0], want[:]) {
		t.Errorf("its leaf is %x, want %x", inFile[3].leaves[0], want)
	}
	if newest.Origin != origin || newest.Size != uint64(len(leaves)) || !bytes.Equal(newest.Root[:], plainRoot(leaves)) {
		t.Errorf("the checkpoint is %v", newest)
	}

	hashes, err := os.ReadFile(filepath.Join(w.trust.LogDir(), "epoch-1.hashes"))
	if err != nil {
		t.Fatal(err)
	}
	var want []byte
	for i := range leaves {
		want = append(want, leaves[i]...)
		for n, level := i, 1; n&1 == 1; n, level = n>>1, level+1 {
			want = append(want, plainRoot(leaves[i+1-1<<level:i+1])...)
		}
	}
	if !bytes.Equal(hashes, want) {
		t.Errorf("the file of hashes has %d bytes, want %d others", len(hashes), len(want))
	}
}

// Every part of the file can be damaged: cut at every byte it is a shorter log, with a bit flipped anywhere it is never
// another one.
func TestEveryByte(t *testing.T) {
	w := newWorld(t)
	c := w.open()
	for i := range 4 {
		c.has(w.push(events.DeviceID(fmt.Sprintf("tab-%d", i)), 1))
	}
	c.stop()
	path := filepath.Join(w.trust.LogDir(), "epoch-1.entries")
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	before := c.Newest().Checkpoint
	for at := 13; at < len(whole); at += 7 {
		for what, bad := range map[string][]byte{"cut": whole[:at], "flipped": append(append(append([]byte{}, whole[:at]...), whole[at]^1), whole[at+1:]...)} {
			write(t, path, bad)
			c := w.open()
			if got := c.Newest().Checkpoint; got != before {
				t.Fatalf("%s at %d: the log is %v, was %v", what, at, got, before)
			}
			c.stop()
			if b, err := os.ReadFile(path); err != nil {
				t.Fatal(err)
			} else if _, list, _, err := readFile(b); err != nil || list[len(list)-1].size != before.Size {
				t.Fatalf("%s at %d: the file is not whole again: %v", what, at, err)
			}
		}
	}
	write(t, path, append([]byte("ullage.log.9\n"), whole[13:]...))
	if _, err := openOnly(w); err == nil || !strings.Contains(err.Error(), path) {
		t.Errorf("a file of another version: %v", err)
	}
}
