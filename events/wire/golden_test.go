package wire_test

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ullage/events"
	"ullage/events/wire"
)

// Keys of RFC 8032, section 7.1: test 1 is the device's, test 2 the gate's.
var (
	deviceKey = keyOf("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
	gateKey   = keyOf("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb")
)

func keyOf(seed string) ed25519.PrivateKey {
	b, err := hex.DecodeString(seed)
	if err != nil {
		panic(err)
	}
	return ed25519.NewKeyFromSeed(b)
}

func public(k ed25519.PrivateKey) ed25519.PublicKey { return k.Public().(ed25519.PublicKey) }

func sum(name string) events.Hash { return events.HashRecord([]byte(name)) }

const seen = "log.example/ullage\n4\n037kGJdt2VdTwcc4Yrk5j6Kiz5tP8P3+izDNlSCWFLc=\n"

// goldenRecords are three records of tab-1, and one piece that is none.
func goldenRecords() [][]byte {
	visit := events.NewRecordID(1772438520000, [10]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10})
	bodies := []events.Body{
		&events.VisitOpened{Reason: "planned"},
		&events.ReadingTaken{Quantity: "volume", Value: ptr(180.5), Unit: "L", U: ptr(1.0), Method: "dip", Moment: "arrival"},
		&events.VisitClosed{Outcome: "complete"},
	}
	var records [][]byte
	for i, b := range bodies {
		body, err := events.EncodeBody(b)
		if err != nil {
			panic(err)
		}
		at := events.Millis(1772438700000 + i*60_000)
		r := events.Record{
			ID: events.NewRecordID(at, [10]byte{byte(i), 0xff, 2, 0xff, 4, 5, 6, 7, 8, 9}), Device: "tab-1", Seq: events.Seq(i + 1), Clock: events.ClockOf(at, 0),
			Done: at - 45_000, Zone: 60, Site: "north-yard", Visit: visit, By: "T2", Kind: b.Kind(), V: 1, Body: body,
		}
		if i == 1 {
			r.Machine, r.Key = "nw-01", "k-1"
		}
		raw, err := events.EncodeRecord(&r)
		if err != nil {
			panic(err)
		}
		records = append(records, raw)
	}
	return append(records, []byte("no record, but in the chain all the same"))
}

func ptr[T any](x T) *T { return &x }

func listOf(records [][]byte) (list []byte) {
	for _, r := range records {
		list = wire.AppendPiece(list, r)
	}
	return list
}

// chainOf is the link after each record of a list, the first one being link[0].
func chainOf(records [][]byte) []events.Hash {
	links := []events.Hash{events.FirstLink("tab-1", public(deviceKey))}
	for _, r := range records {
		links = append(links, events.Link(links[len(links)-1], events.HashRecord(r)))
	}
	return links
}

func goldenSeals() []events.Seal {
	links := chainOf(goldenRecords())
	return []events.Seal{events.SignSeal(deviceKey, "tab-1", 1, links[1], ""), events.SignSeal(deviceKey, "tab-1", 4, links[4], seen)}
}

func goldenCommit() *wire.Commit {
	records := goldenRecords()
	return &wire.Commit{
		Device: "tab-1", Seq: 4, Link: chainOf(records)[4], Range: wire.Range{From: 1, To: 4}, Seals: goldenSeals(), Key: public(deviceKey), Gate: "gate-1",
		Received: 1772439000123, Nonce: [16]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16},
		Held: []wire.HeldRecord{{Seq: 4, Hash: events.HashRecord(records[3]), Reason: "not the form of a record"}},
	}
}

func goldenPlace() wire.Place {
	return wire.Place{Seq: 70_000, Hash: sum("data"), Created: 1772400000000000001}
}

func goldenReceipt() *wire.Receipt {
	r := &wire.Receipt{Device: "tab-1", First: 1, Last: 4, Link: chainOf(goldenRecords())[4], Received: 1772439000123, Place: goldenPlace(), Checkpoint: seen}
	r.Sign("gate-1", gateKey)
	return r
}

func goldenHealed() *wire.Commit {
	c := goldenCommit()
	c.Seq, c.Link, c.Gate, c.Held, c.Original = 900, sum("link 900"), "gate-2", nil, goldenReceipt().Encode()
	return c
}

func goldenBranch() *wire.Commit {
	c, links := goldenCommit(), chainOf(goldenRecords())
	c.Range.From, c.Seals = 3, c.Seals[1:]
	c.Parted = []events.Parting{{Seq: 2, Link: links[2], Other: sum("link 2")}, {Seq: 3, Link: links[3], Other: links[3]}}
	return c
}

func goldenLog() *wire.LogMessage {
	place, healed := goldenPlace(), goldenPlace()
	healed.Seq++
	return &wire.LogMessage{Origin: "log.example/ullage/1", Entries: []wire.LogEntry{
		{
			Place: place, Device: "tab-1", Received: 1772439000123, Size: 70_003, Root: sum("root"), News: 70_002,
			Runs: []wire.LogRun{{First: 1, Leaves: []events.Hash{sum("a"), sum("b")}}, {First: 9, Leaves: []events.Hash{sum("c")}}},
		},
		{Place: healed, Device: "tab-2", Received: 1772439000999, Size: 70_003, Root: sum("root"), News: 70_002},
	}}
}

const helloInbox = "inbox.tab-1.5f2a.1"

func goldenHello() *wire.HelloRequest {
	q := &wire.HelloRequest{Seq: 4, Link: chainOf(goldenRecords())[4], Clock: events.ClockOf(1772439000000, 3), Receipted: 3, Software: "0.1.0", Seen: seen}
	q.Sign(deviceKey, "tab-1", helloInbox)
	return q
}

func goldenAside() *wire.AsideRequest {
	q := &wire.AsideRequest{Device: "tab-1", Push: []byte("a push")}
	q.Sign(deviceKey)
	return q
}

// message is one golden message: a value, and how it is written and read.
type message struct {
	name     string
	value    any
	bytes    []byte
	decode   func([]byte) (value any, again []byte, err error)
	squeezed bool // its bytes are not the only ones for its value
}

// of ties the two directions of a type of messages together.
func of[M any](name string, m M, encode func(M) []byte, decode func([]byte) (M, error)) message {
	return message{name: name, value: m, bytes: encode(m), decode: func(b []byte) (any, []byte, error) {
		m, err := decode(b)
		if err != nil {
			return m, nil, err
		}
		return m, encode(m), nil
	}}
}

func squeezed(m message) message {
	m.squeezed = true
	return m
}

// Messages that hold a squeezed list, with the list as it is.
type (
	storedMessage struct {
		Commit  *wire.Commit
		Records [][]byte
	}
	pushMessage struct {
		First   events.Seq
		Link    events.Hash
		Seals   []events.Seal
		Records [][]byte

		Original []byte
	}
)

func encodePush(m pushMessage) []byte {
	return wire.PushRequest{First: m.First, Link: m.Link, Seals: m.Seals, Data: wire.Squeeze(listOf(m.Records)), Original: m.Original}.Encode()
}

func decodePush(b []byte) (pushMessage, error) {
	q, err := wire.DecodePush(b)
	if err != nil {
		return pushMessage{}, err
	}
	records, err := expand(q.Data)
	if err != nil {
		return pushMessage{}, err
	}
	return pushMessage{q.First, q.Link, q.Seals, records, q.Original}, nil
}

func messages() []message {
	records := goldenRecords()
	gates := []wire.GateKey{{Gate: "gate-1", Key: public(gateKey)}, {Gate: "gate-2", Key: public(deviceKey)}}
	copies := []wire.Copy{{Machine: "nw-01", Seq: 70_000}, {Machine: "nw-02", Seq: 0}}
	seal := func(s events.Seal) []byte { return wire.AppendSeal(nil, s) }
	return []message{
		of("answer-ok", wire.Answer{Status: wire.OK, Body: []byte("body")}, wire.Answer.Encode, wire.DecodeAnswer),
		of("answer-busy", wire.Answer{Status: wire.Busy, Wait: 750, Reason: "the centre is busy"}, wire.Answer.Encode, wire.DecodeAnswer),
		of("answer-refused", wire.Answer{Status: wire.Refused, At: 1 << 40, Reason: "seal at record 1099511627776: the seal does not hold"}, wire.Answer.Encode, wire.DecodeAnswer),
		of("hello", goldenHello(), (*wire.HelloRequest).Encode, wire.DecodeHello),
		of("hello-answer", &wire.HelloAnswer{
			Seq: 4, Link: chainOf(records)[4], Now: 1772439000200, Checkpoint: seen, Proof: []events.Hash{sum("left"), sum("right")}, News: 69_990,
			Want: []wire.Range{{From: 1, To: 1}, {From: 3, To: 300}}, Erased: []events.Digest{sum("picture")}, Gates: gates,
		}, (*wire.HelloAnswer).Encode, wire.DecodeHelloAnswer),
		of("hello-answer-first", &wire.HelloAnswer{Link: chainOf(nil)[0], Now: 1772439000200}, (*wire.HelloAnswer).Encode, wire.DecodeHelloAnswer),
		of("seal", goldenSeals()[1], seal, wire.DecodeSeal),
		squeezed(of("push", pushMessage{1, chainOf(nil)[0], goldenSeals(), records, []byte{}}, encodePush, decodePush)),
		squeezed(of("push-again", pushMessage{1, chainOf(nil)[0], goldenSeals(), records, goldenReceipt().Encode()}, encodePush, decodePush)),
		of("push-answer", wire.PushAnswer{Seq: 4, Link: chainOf(records)[4], Receipt: goldenReceipt().Encode()}, wire.PushAnswer.Encode, wire.DecodePushAnswer),
		of("push-answer-first", wire.PushAnswer{Link: chainOf(nil)[0]}, wire.PushAnswer.Encode, wire.DecodePushAnswer),
		of("receipt", goldenReceipt(), (*wire.Receipt).Encode, wire.DecodeReceipt),
		of("back", wire.BackRequest{Range: wire.Range{From: 2, To: 70_000}}, wire.BackRequest.Encode, wire.DecodeBack),
		squeezed(of("back-answer", wire.BackAnswer{First: 1, Seals: goldenSeals(), Records: records}, wire.BackAnswer.Encode, wire.DecodeBackAnswer)),
		of("pull", wire.PullRequest{Place: goldenPlace(), Copies: copies}, wire.PullRequest.Encode, wire.DecodePull),
		of("pull-first", wire.PullRequest{}, wire.PullRequest.Encode, wire.DecodePull),
		squeezed(of("pull-answer", &wire.PullAnswer{
			Reset: true, Place: goldenPlace(), Copies: copies, More: true, Drop: []events.MachineID{"nw-09"}, Gates: gates,
			Records: []wire.Pulled{
				{Record: records[0], Received: 1772439000123, Commit: sum("data")}, {Record: records[1], Received: 1772439000123, Commit: sum("data")},
				{Record: records[2], Received: 1772439009999, Commit: sum("more data")},
			},
		}, (*wire.PullAnswer).Encode, wire.DecodePullAnswer)),
		of("pulled", wire.Pulled{Record: records[0], Received: 1772439000123, Commit: sum("data")}, func(p wire.Pulled) []byte { return wire.AppendPulled(nil, p) }, wire.DecodePulled),
		of("commit", goldenCommit(), (*wire.Commit).Encode, wire.DecodeCommit),
		of("commit-healed", goldenHealed(), (*wire.Commit).Encode, wire.DecodeCommit),
		of("commit-branch", goldenBranch(), (*wire.Commit).Encode, wire.DecodeCommit),
		squeezed(of("stored", storedMessage{goldenCommit(), records},
			func(m storedMessage) []byte { return wire.EncodeStored(m.Commit, m.Records) },
			func(b []byte) (storedMessage, error) {
				c, records, err := wire.DecodeStored(b)
				return storedMessage{c, records}, err
			})),
		of("aside", goldenAside(), (*wire.AsideRequest).Encode, wire.DecodeAside),
		of("log", goldenLog(), (*wire.LogMessage).Encode, wire.DecodeLog),
		squeezed(of("list-folded", records, func(records [][]byte) []byte { return wire.Squeeze(listOf(records)) }, expand)),
		of("list-unfolded", listOf(records), func(list []byte) []byte { return list }, func(b []byte) ([]byte, error) {
			_, err := wire.Pieces(b, wire.MaxRecords, events.MaxRecord)
			return b, err
		}),
	}
}

func expand(b []byte) ([][]byte, error) {
	list, err := wire.Expand(b, wire.MaxPlain)
	if err != nil {
		return nil, err
	}
	return wire.Pieces(list, wire.MaxRecords, events.MaxRecord)
}

// same compares messages; where nothing stands, it is the same whether it is written nil or empty.
func same(a, b any) string {
	if reflect.DeepEqual(a, b) { // much faster
		return ""
	}
	return cmp.Diff(a, b, cmpopts.EquateEmpty())
}

// show writes a value for the header of a golden file, in one line, binaries in hexadecimal.
func show(v any) string {
	var s strings.Builder
	showValue(&s, reflect.ValueOf(v))
	return s.String()
}

func showValue(s *strings.Builder, v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		showValue(s, v.Elem())
	case reflect.Struct:
		for i := range v.NumField() {
			s.WriteString(map[bool]string{true: "{", false: " "}[i == 0] + v.Type().Field(i).Name + ": ")
			showValue(s, v.Field(i))
		}
		s.WriteByte('}')
	case reflect.Slice, reflect.Array:
		if v.Type().Elem().Kind() == reflect.Uint8 {
			for i := range v.Len() {
				fmt.Fprintf(s, "%02x", v.Index(i).Uint())
			}
			break
		}
		s.WriteByte('[')
		for i := range v.Len() {
			if i > 0 {
				s.WriteByte(' ')
			}
			showValue(s, v.Index(i))
		}
		s.WriteByte(']')
	case reflect.String:
		fmt.Fprintf(s, "%q", v.String())
	default:
		fmt.Fprintf(s, "%v", v.Interface())
	}
}

func hexLines(b []byte) string {
	var s strings.Builder
	for line := range slices.Chunk(b, 32) {
		fmt.Fprintf(&s, "%x\n", line)
	}
	return s.String()
}

func goldenPath(name string) string { return filepath.Join("testdata", name+".golden") }

// readGolden returns the header and the bytes of a golden file.
func readGolden(t testing.TB, name string) (string, []byte) {
	t.Helper()
	text, err := os.ReadFile(goldenPath(name))
	if err != nil {
		t.Fatalf("%v (run the tests of this package with -update)", err)
	}
	head, digits, ok := strings.Cut(string(text), "\n\n")
	if !ok {
		t.Fatalf("%s: no blank line", name)
	}
	b, err := hex.DecodeString(strings.Join(strings.Fields(digits), ""))
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return head, b
}

// TestGolden holds messages to the bytes that were once written. What was released is read for ever, so -update writes
// only files that are missing.
func TestGolden(t *testing.T) {
	for _, m := range messages() {
		t.Run(m.name, func(t *testing.T) {
			head := fmt.Sprintf("message: %s\nvalue: %s", m.name, show(m.value))
			if _, err := os.Stat(goldenPath(m.name)); errors.Is(err, fs.ErrNotExist) && *update {
				if err := os.WriteFile(goldenPath(m.name), []byte(head+"\n\n"+hexLines(m.bytes)), 0o666); err != nil {
					t.Fatal(err)
				}
			}
			wantHead, want := readGolden(t, m.name)
			if head != wantHead {
				t.Errorf("the value is\n%s\nand was\n%s", head, wantHead)
			}
			if !m.squeezed && !bytes.Equal(m.bytes, want) {
				t.Errorf("got\n%x\nwant\n%x", m.bytes, want)
			}
			got, again, err := m.decode(want)
			if err != nil {
				t.Fatal(err)
			}
			if diff := same(got, m.value); diff != "" {
				t.Error(diff)
			}
			if !m.squeezed && !bytes.Equal(again, want) {
				t.Errorf("decoded and encoded again it is\n%x, not\n%x", again, want)
			}
		})
	}
}

// TestGoldenFolded holds the columns of a folded list to their bytes, apart from any compression.
func TestGoldenFolded(t *testing.T) {
	dense, random := wire.Fold(goldenRecords())
	head := fmt.Sprintf("message: the columns of list-folded\nfirst frame: %d\nsecond frame: %d", len(dense), len(random))
	b := append(dense, random...)
	if _, err := os.Stat(goldenPath("columns")); errors.Is(err, fs.ErrNotExist) && *update {
		if err := os.WriteFile(goldenPath("columns"), []byte(head+"\n\n"+hexLines(b)), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	wantHead, want := readGolden(t, "columns")
	if head != wantHead || !bytes.Equal(b, want) {
		t.Errorf("got %s\n%x\nwant %s\n%x", head, b, wantHead, want)
	}
	list, err := wire.Unfold(want, wire.MaxPlain)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(list, listOf(goldenRecords())) {
		t.Error("the golden columns unfold to something else")
	}
}

// TestGoldenIsWhole fails where a golden file belongs to nothing.
func TestGoldenIsWhole(t *testing.T) {
	known := map[string]bool{goldenPath("columns"): true}
	for _, m := range messages() {
		known[goldenPath(m.name)] = true
	}
	files, err := filepath.Glob(goldenPath("*"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no golden files (%v)", err)
	}
	for _, f := range files {
		if !known[f] {
			t.Errorf("%s is of no message that the code knows; what was released once is read for ever", f)
		}
	}
}
