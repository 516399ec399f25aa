package journal

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"testing"

	"ullage/events"
)

// second is a reader written from FORMAT.md. It shares no code with the package.
type second struct {
	device   string
	key      []byte
	records  []string
	links    [][32]byte
	seals    []string
	receipts []string
}

func readSecond(dir string) (*second, error) {
	id, err := os.ReadFile(filepath.Join(dir, "identity"))
	if err != nil {
		return nil, err
	}
	body, _, err := secondHead(id, "ullage.identity1")
	if err != nil {
		return nil, err
	}
	r := &second{key: body[:32], device: string(body[33:])}
	if int(body[32]) != len(r.device) {
		return nil, fmt.Errorf("identity: %d, %q", body[32], r.device)
	}
	first := []byte("ullage.chain.1")
	first = binary.BigEndian.AppendUint32(first, uint32(len(r.device)))
	first = append(first, r.device...)
	first = binary.BigEndian.AppendUint32(first, uint32(len(r.key)))
	first = append(first, r.key...)
	r.links = append(r.links, sha256.Sum256(first))

	segments, err := filepath.Glob(filepath.Join(dir, "*.seg"))
	if err != nil {
		return nil, err
	}
	sort.Strings(segments)
	for _, name := range segments {
		b, err := os.ReadFile(name)
		if err != nil {
			return nil, err
		}
		if err := r.segment(strings.TrimSuffix(filepath.Base(name), ".seg"), b); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	return r, nil
}

func secondSum(parts ...[]byte) uint32 {
	return crc32.Checksum(slices.Concat(parts...), crc32.MakeTable(crc32.Castagnoli))
}

func secondHead(b []byte, magic string) (body []byte, end int, err error) {
	n := int(binary.LittleEndian.Uint32(b[16:]))
	body = b[24 : 24+n]
	if string(b[:16]) != magic || binary.LittleEndian.Uint32(b[20:]) != secondSum(b[:20], body) {
		return nil, 0, fmt.Errorf("no head of %s", magic)
	}
	return body, 24 + n, nil
}

func (r *second) segment(name string, b []byte) error {
	var number uint64
	if _, err := fmt.Sscanf(name, "%d", &number); err != nil {
		return err
	}
	head, off, err := secondHead(b, "ullage.journal.1")
	if err != nil {
		return err
	}
	le := binary.LittleEndian
	last := r.links[len(r.links)-1]
	if le.Uint64(head) != number || number != uint64(len(r.links)) || [32]byte(head[16:48]) != last ||
		string(head[48:80]) != string(r.key) || string(head[81:81+head[80]]) != r.device {
		return fmt.Errorf("the head does not fit")
	}
	receipt := string(head[81+int(head[80])+4:])
	if want := ""; len(r.receipts) > 0 && receipt != r.receipts[len(r.receipts)-1] || len(r.receipts) == 0 && receipt != want {
		return fmt.Errorf("the head carries the receipt %q", receipt)
	}
	for off < len(b) && strings.Trim(string(b[off:]), "\x00") != "" {
		n := int(le.Uint32(b[off:]))
		at := le.AppendUint64(le.AppendUint64(nil, number), uint64(off))
		if le.Uint32(b[off+4:]) != secondSum(at, b[off:off+4], b[off+8:off+9+n]) {
			return fmt.Errorf("the sum at %d does not hold", off)
		}
		payload := b[off+9 : off+9+n]
		count := uint64(len(r.links) - 1)
		switch b[off+8] {
		case 1:
			r.records = append(r.records, string(payload))
			h := sha256.Sum256(append([]byte{0}, payload...))
			r.links = append(r.links, sha256.Sum256(slices.Concat([]byte{2}, last[:], h[:])))
			if b[off+9+n+8] != 4 {
				return fmt.Errorf("no link frame behind the record at %d", off)
			}
		case 2:
			r.seals = append(r.seals, string(payload))
		case 3:
			r.receipts = append(r.receipts, string(payload))
		case 4:
			if le.Uint64(payload) != count || [32]byte(payload[16:48]) != r.links[count] || [32]byte(payload[48:80]) != last {
				return fmt.Errorf("the link frame at %d does not fit", off)
			}
			last = r.links[count]
		case 5:
			if le.Uint64(payload) != count || [32]byte(payload[16:48]) != last {
				return fmt.Errorf("the settled frame at %d does not fit", off)
			}
		default:
			return fmt.Errorf("type %d at %d", b[off+8], off)
		}
		off += 9 + n
	}
	return nil
}

// What the package writes, a reader written from the text alone reads.
func TestSecondReader(t *testing.T) {
	cfg := Config{Dir: t.TempDir(), SegmentBytes: 3000}
	mustCreate(t, cfg)
	l := newLedger()
	for i := range 12 {
		j, _ := mustOpen(t, cfg)
		for k := range 4 {
			if err := l.add(j, (i+k)%4, 10*i, k == 2); err != nil {
				t.Fatal(err)
			}
		}
		mustClose(t, j)
	}
	r, err := readSecond(cfg.Dir)
	if err != nil {
		t.Fatal(err)
	}
	j, _ := mustOpen(t, cfg)
	defer j.Close()
	if r.device != string(testDevice) || string(r.key) != string(testKey) || len(r.records) != len(l.acked) {
		t.Fatalf("it reads %d records of %q, want %d", len(r.records), r.device, len(l.acked))
	}
	for i, b := range r.records {
		if b != l.acked[events.Seq(i)+1] {
			t.Fatalf("record %d differs", i+1)
		}
	}
	if j.Head().Link != r.links[len(r.links)-1] {
		t.Fatal("the links differ")
	}
	seals, err := j.Seals(0, j.Head().Seq)
	if err != nil || fmt.Sprintf("%s", seals) != fmt.Sprint(r.seals) {
		t.Fatalf("seals %s, %v, %v", seals, r.seals, err)
	}
	if last, _ := j.LastReceipt(); string(last) != r.receipts[len(r.receipts)-1] {
		t.Fatalf("last receipt %q", last)
	}
}
