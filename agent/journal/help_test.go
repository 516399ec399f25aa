package journal

import (
	"crypto/ed25519"
	"encoding/binary"
	"errors"
	"fmt"
	"testing"

	"ullage/events"
	"ullage/events/pack"
)

const testDevice events.DeviceID = "tab-1"

var testKey = ed25519.PublicKey("an example of a key, 32 bytes lg")

// makeRecord makes a record whose bytes follow from its number and salt.
func makeRecord(seq events.Seq, salt int, key string, size int) []byte {
	var random [10]byte
	binary.BigEndian.PutUint32(random[2:], uint32(salt))
	binary.BigEndian.PutUint32(random[6:], uint32(seq))
	at := events.Millis(1_700_000_000_000) + events.Millis(seq)
	body := pack.AppendMap(nil, 1)
	body = pack.AppendString(body, "text")
	body = pack.AppendString(body, string(make([]byte, size)))
	b, err := events.EncodeRecord(&events.Record{
		ID: events.NewRecordID(at, random), Device: testDevice, Seq: seq, Clock: events.ClockOf(at, 0), Done: at,
		Site: "s1", Machine: "m1", By: "ab", Key: key, Kind: "note.taken", V: 1, Body: body,
	})
	if err != nil {
		panic(err)
	}
	return b
}

// records returns a build function for n records, with a key every third one.
func records(n, salt, size int) func(events.Head) ([]Frame, error) {
	return func(head events.Head) ([]Frame, error) {
		var fs []Frame
		for i := range n {
			seq := head.Seq + events.Seq(i) + 1
			fs = append(fs, Frame{Record, makeRecord(seq, salt, keyOf(seq), size)})
		}
		return fs, nil
	}
}

func keyOf(seq events.Seq) string {
	if seq%3 != 0 {
		return ""
	}
	return fmt.Sprintf("key-%d", seq)
}

func sealFrame(n int) Frame    { return Frame{Seal, fmt.Appendf(nil, "seal %d", n)} }
func receiptFrame(n int) Frame { return Frame{Receipt, fmt.Appendf(nil, "receipt %d", n)} }

func mustCreate(tb testing.TB, cfg Config) {
	tb.Helper()
	if err := Create(cfg, testDevice, testKey); err != nil {
		tb.Fatal(err)
	}
}

func mustOpen(tb testing.TB, cfg Config) (*Journal, Report) {
	tb.Helper()
	j, report, err := Open(cfg)
	if err != nil {
		tb.Fatal(err)
	}
	return j, report
}

func mustAppend(tb testing.TB, j *Journal, build func(events.Head) ([]Frame, error)) events.Head {
	tb.Helper()
	head, err := j.Append(build)
	if err != nil {
		tb.Fatal(err)
	}
	return head
}

func mustClose(tb testing.TB, j *Journal) {
	tb.Helper()
	if err := j.Close(); err != nil {
		tb.Fatal(err)
	}
}

// reading is what Journal and Reader have in common.
type reading interface {
	Head() events.Head
	Scan(events.Seq, func(events.Seq, []byte) error) error
	Record(events.Seq) ([]byte, error)
	ByID(events.RecordID) (events.Seq, []byte, bool, error)
	ByKey(string) (events.Seq, []byte, bool, error)
	LinkAt(events.Seq) (events.Hash, error)
	Seals(from, to events.Seq) ([][]byte, error)
	Receipts(func(events.Seq, []byte) error) error
	LastReceipt() ([]byte, bool)
	Gaps() ([]Range, error)
}

// readAll scans the whole journal over its gaps, and checks the chain where there are none.
func readAll(r reading) (got map[events.Seq]string, gaps []Range, err error) {
	got = make(map[events.Seq]string)
	from := events.Seq(1)
	link, err := r.LinkAt(0)
	if err != nil {
		return nil, nil, err
	}
	for {
		err := r.Scan(from, func(seq events.Seq, record []byte) error {
			if seq != from {
				return fmt.Errorf("scan gave %d, not %d", seq, from)
			}
			link = events.Link(link, events.HashRecord(record))
			at, err := r.LinkAt(seq)
			if err != nil {
				return fmt.Errorf("link at %d: %w", seq, err)
			}
			if at != link {
				return fmt.Errorf("the link at %d is not that of the records", seq)
			}
			got[seq] = string(record)
			from++
			return nil
		})
		var gap *GapError
		if !errors.As(err, &gap) {
			if err == nil && from != r.Head().Seq+1 {
				err = fmt.Errorf("scan ended before %d, the head is %d", from, r.Head().Seq)
			}
			if err == nil && r.Head().Link != link {
				err = errors.New("the head's link is not that of the records")
			}
			return got, gaps, err
		}
		if n := len(gaps); n > 0 && gap.From == gaps[n-1].From { // it grew: what comes after it is damaged too
			gaps, from = gaps[:n-1], gap.From
		}
		if gap.From != from || gap.To < gap.From {
			return nil, nil, fmt.Errorf("gap %v at %d", gap.Range, from)
		}
		gaps = append(gaps, gap.Range)
		from = gap.To + 1
		if link, err = r.LinkAt(gap.To); errors.As(err, &gap) { // it just grew
			gaps, from = gaps[:len(gaps)-1], gaps[len(gaps)-1].From
			continue
		} else if err != nil {
			return nil, nil, fmt.Errorf("link at the end of %v: %w", gap.Range, err)
		}
	}
}
