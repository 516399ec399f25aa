package wire_test

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"ullage/events"
	"ullage/events/pack"
	"ullage/events/wire"
)

// checkTotal decodes bytes that are as they come. It never panics; an error is an ErrMessage and leaves nothing; and
// what decodes has no second form, except for the compression of what is squeezed.
func checkTotal(t testing.TB, m message, b []byte) {
	t.Helper()
	v, again, err := m.decode(b)
	switch {
	case err != nil && !wire.IsMessage(err):
		t.Fatalf("%s: %x: the error is no ErrMessage: %v", m.name, b, err)
	case err != nil && !empty(v):
		t.Fatalf("%s: %x: there is an error (%v), and yet %s", m.name, b, err, show(v))
	case err != nil || bytes.Equal(b, again):
		return
	case !m.squeezed:
		t.Fatalf("%s:\n%x\nis read, and written as\n%x", m.name, b, again)
	}
	second, _, err := m.decode(again)
	if err != nil {
		t.Fatalf("%s:\n%x\nis read, and what is then written is not: %v", m.name, b, err)
	}
	if diff := same(second, v); diff != "" {
		t.Fatalf("%s: %x: it does not stay the same:\n%s", m.name, b, diff)
	}
}

// empty tells whether v is a zero value, or a list or binary that was handed through.
func empty(v any) bool {
	x := reflect.ValueOf(v)
	return !x.IsValid() || x.IsZero() || x.Kind() == reflect.Slice
}

// changes are what to put in the place of a byte: every bit of it flipped, and some bytes that mean something; of what
// is squeezed, which takes longer, less.
func changes(was byte, n int, squeezed bool) []byte {
	if squeezed {
		return []byte{was ^ 1<<(n%8), was ^ 0xff}
	}
	to := []byte{0x00, 0x80, 0xc0, 0xc6, 0xdb, 0xdd, 0xff}
	for bit := range 8 {
		to = append(to, was^1<<bit)
	}
	return to
}

func TestEveryByte(t *testing.T) {
	for _, m := range messages() {
		t.Run(m.name, func(t *testing.T) {
			_, b := readGolden(t, m.name)
			checkTotal(t, m, nil)
			for n := range b {
				if m.name != "list-unfolded" { // which may end after any piece
					if _, _, err := m.decode(b[:n]); err == nil {
						t.Fatalf("it is taken although it ends after %d of %d bytes", n, len(b))
					}
				}
				checkTotal(t, m, b[:n])
				for _, c := range changes(b[n], n, m.squeezed) {
					changed := bytes.Clone(b)
					changed[n] = c
					checkTotal(t, m, changed)
				}
			}
			if m.name == "list-unfolded" || m.name == "list-folded" || m.name == "stored" {
				return // a list goes on, and so does zstd
			}
			if _, _, err := m.decode(append(bytes.Clone(b), 0)); !wire.IsMessage(err) {
				t.Errorf("a byte after its end: %v", err)
			}
		})
	}
}

// with changes one element of an encoded message.
func with(t testing.TB, b []byte, element int, value []byte) []byte {
	t.Helper()
	in := pack.NewReader(b)
	n := in.Array(len(b))
	out := pack.AppendArray(nil, n)
	for i := range n {
		x := in.Skip(8)
		if i == element {
			x = value
		}
		out = append(out, x...)
	}
	if err := in.Done(); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestLimits(t *testing.T) {
	byName := map[string]message{}
	for _, m := range messages() {
		byName[m.name] = m
	}
	u := func(x uint64) []byte { return pack.AppendUint(nil, x) }
	i := func(x int64) []byte { return pack.AppendInt(nil, x) }
	str := func(n int) []byte { return pack.AppendString(nil, strings.Repeat("x", n)) }
	bin := func(n int) []byte { return pack.AppendBin(nil, make([]byte, n)) }
	list := func(n int, x []byte) []byte { return append(pack.AppendArray(nil, n), bytes.Repeat(x, n)...) }
	fields := func(x ...[]byte) []byte { return append(pack.AppendArray(nil, len(x)), slices.Concat(x...)...) }
	seal := func(n events.Seq) []byte {
		return wire.AppendSeal(nil, events.Seal{Seq: n, Signature: make([]byte, 64)})
	}
	seals := func(from, n int) []byte {
		b := pack.AppendArray(nil, n)
		for k := range n {
			b = append(b, seal(events.Seq(from+k))...)
		}
		return b
	}
	hold := func(n uint64) []byte { return fields(u(n), bin(32), str(1)) }
	holds := func(n int) []byte {
		b := pack.AppendArray(nil, n)
		for k := range n {
			b = append(b, hold(uint64(1+k))...)
		}
		return b
	}
	hash := bin(32)
	parted := func(at uint64) []byte { return fields(u(at), bin(32), bin(32)) }
	gate := fields(str(64), bin(32))
	year := int64(events.MaxMillis)

	tests := []struct {
		message string
		element int
		good    [][]byte
		bad     [][]byte
	}{
		{"answer-ok", 0, nil, [][]byte{u(0), u(2), str(1)}},
		{"answer-ok", 1, [][]byte{str(1), str(16)}, [][]byte{str(17), bin(2)}},
		{"answer-busy", 2, [][]byte{u(0), u(wire.MaxWait)}, [][]byte{u(wire.MaxWait + 1), u(1 << 63), i(-1)}},
		{"answer-busy", 3, [][]byte{u(1<<64 - 1)}, [][]byte{i(-1)}},
		{"answer-busy", 4, [][]byte{str(wire.MaxReason)}, [][]byte{str(wire.MaxReason + 1), {0xa1, 0xff}}},
		{"answer-ok", 5, [][]byte{bin(wire.MaxMessage - 64)}, [][]byte{bin(wire.MaxMessage), str(3)}},
		{"hello", 2, nil, [][]byte{bin(31), bin(33), bin(0)}},
		{"hello", 5, [][]byte{str(0), str(64)}, [][]byte{str(65)}},
		{"hello", 7, nil, [][]byte{bin(63), bin(65), bin(0)}},
		{"hello-answer", 3, [][]byte{i(year), i(int64(events.MinMillis))}, [][]byte{i(year + 1), i(int64(events.MinMillis) - 1)}},
		{"hello-answer", 4, [][]byte{str(wire.MaxSeen)}, [][]byte{str(wire.MaxSeen + 1)}},
		{"hello-answer", 5, [][]byte{list(4096, hash)}, [][]byte{list(16385, hash), list(1, bin(31)), {0xdd, 0xff, 0xff, 0xff, 0xff}}},
		{"hello-answer", 7, [][]byte{list(256, fields(u(1), u(1))), list(1, fields(u(7), u(1<<64-1)))},
			[][]byte{list(257, fields(u(1), u(1))), list(1, fields(u(0), u(1))), list(1, fields(u(2), u(1))), list(1, fields(u(2)))}},
		{"hello-answer", 9, [][]byte{list(1000, gate)}, [][]byte{list(1, fields(str(65), bin(32))), list(1, fields(str(0), bin(32))), list(1, fields(str(1), bin(31)))}},
		{"push", 1, [][]byte{u(1<<64 - 1)}, [][]byte{u(0)}},
		{"push", 3, [][]byte{seals(1, wire.MaxSeals), seals(1, 0)}, [][]byte{seals(1, wire.MaxSeals+1), list(1, fields(u(1), str(0))), list(1, fields(u(1), str(1025), bin(64))), list(1, fields(u(1), str(0), bin(63)))}},
		{"push", 4, nil, [][]byte{bin(wire.MaxFrame)}},
		{"push-answer", 3, nil, [][]byte{bin(0), bin(wire.MaxReceipt + 1)}},
		{"push-answer-first", 3, nil, [][]byte{bin(1)}},
		{"push-answer-first", 1, nil, [][]byte{u(1)}},
		{"receipt", 1, [][]byte{str(64)}, [][]byte{str(65), str(0)}},
		{"receipt", 2, [][]byte{u(4)}, [][]byte{u(0), u(5)}},
		{"receipt", 5, [][]byte{i(year)}, [][]byte{i(year + 1)}},
		{"receipt", 6, [][]byte{fields(u(0), hash, i(-1))}, [][]byte{fields(u(0), hash), fields(u(0), bin(31), i(0)), fields(u(0), hash, u(1<<63))}},
		{"receipt", 7, [][]byte{str(wire.MaxSeen)}, [][]byte{str(wire.MaxSeen + 1)}},
		{"back", 1, [][]byte{u(1)}, [][]byte{u(0), u(70_001)}},
		{"back-answer", 1, nil, [][]byte{u(0), u(9)}}, // 9: the seals are over records before it
		{"back-answer", 2, [][]byte{seals(1, 1), seals(1, 0)}, [][]byte{seals(1, wire.MaxSeals+1), seals(5, 1), seals(0, 1), list(1, fields(u(1), str(0), bin(63)))}},
		{"pull", 2, [][]byte{list(8000, fields(str(9), u(1)))}, [][]byte{list(16385, fields(str(1), u(1))), list(1, fields(str(0), u(1))), list(1, fields([]byte("\xa1_"), u(1)))}},
		{"pull-answer", 4, [][]byte{fields(fields(u(3), i(5), hash)), fields(fields(u(1), i(5), hash), fields(u(2), i(6), hash))},
			[][]byte{
				fields(fields(u(2), i(5), hash)), fields(fields(u(4), i(5), hash)), list(0, nil),
				fields(fields(u(3), i(5), hash), fields(u(0), i(6), hash)), fields(fields(u(1), i(5), hash), fields(u(2), i(5), hash)),
				fields(fields(u(1<<64-1), i(5), hash), fields(u(4), i(6), hash)),
			}},
		{"pull-answer", 7, [][]byte{list(1000, str(8))}, [][]byte{list(1, str(65)), list(1, []byte("\xa1_"))}},
		{"pulled", 2, [][]byte{bin(events.MaxRecord)}, [][]byte{bin(events.MaxRecord + 1)}},
		{"commit", 2, [][]byte{u(1 << 40)}, [][]byte{u(3)}},
		{"commit", 4, [][]byte{u(1)}, [][]byte{u(0), u(5), u(2)}}, // 2: before that stands a seal
		{"commit", 5, nil, [][]byte{u(3), u(0), u(5)}},
		{"commit", 6, [][]byte{seals(1, 4), seals(2, 2), seals(1, 0)}, [][]byte{seals(0, 2), seals(4, 2), append(pack.AppendArray(nil, 2), append(seal(2), seal(2)...)...), append(pack.AppendArray(nil, 2), append(seal(3), seal(2)...)...)}},
		{"commit", 7, nil, [][]byte{bin(31), bin(0)}},
		{"commit", 10, nil, [][]byte{bin(15), bin(17)}},
		{"commit", 11, [][]byte{holds(4), holds(0)}, [][]byte{holds(5), list(2, hold(1)), list(1, hold(0)), list(1, fields(u(1), bin(32), str(501)))}},
		{"commit", 12, [][]byte{bin(0)}, [][]byte{bin(1), pack.AppendBin(nil, append(goldenReceipt().Encode(), 0))}},
		{"commit-branch", 13, [][]byte{list(1, parted(1)), list(0, nil), fields(parted(1), parted(3))},
			[][]byte{list(1, parted(0)), list(1, parted(4)), list(2, parted(3)), fields(parted(3), parted(1)), list(17, parted(1)), list(1, fields(u(3), bin(32))), list(1, fields(u(3), bin(32), bin(31)))}},
	}
	for _, test := range tests {
		m := byName[test.message]
		_, b := readGolden(t, test.message)
		for k, value := range test.good {
			if _, _, err := m.decode(with(t, b, test.element, value)); err != nil {
				t.Errorf("%s, element %d, good %d: %v", test.message, test.element+1, k+1, err)
			}
		}
		for k, value := range test.bad {
			changed := with(t, b, test.element, value)
			if v, _, err := m.decode(changed); !wire.IsMessage(err) || !empty(v) {
				t.Errorf("%s, element %d, bad %d: got %v and %s", test.message, test.element+1, k+1, err, show(v))
			}
		}
	}

	// A full commit record.
	c := goldenCommit()
	c.Seq, c.Range.To = 1000, 1000
	b := with(t, with(t, c.Encode(), 6, seals(1, 1000)), 11, holds(1000))
	if _, err := wire.DecodeCommit(b); err != nil {
		t.Errorf("a full commit record: %v", err)
	}
	c.Seq, c.Range.To = 1001, 1001
	if _, err := wire.DecodeCommit(c.Encode()); !wire.IsMessage(err) {
		t.Errorf("a commit record of 1001 records: %v", err)
	}
	// An original receipt of another device.
	r := goldenReceipt()
	r.Device = "tab-2"
	c = goldenHealed()
	c.Original = r.Encode()
	if _, err := wire.DecodeCommit(c.Encode()); !wire.IsMessage(err) {
		t.Errorf("the original receipt of another device: %v", err)
	}
}

// A later version says so, whatever its fields are.
func TestVersion(t *testing.T) {
	for _, m := range messages() {
		if strings.HasPrefix(m.name, "list") || m.name == "seal" || m.name == "pulled" || m.name == "stored" {
			continue
		}
		for _, b := range [][]byte{{0x91, 0x02}, {0x93, 0x02, 0x80, 0x90}} {
			if _, _, err := m.decode(b); !wire.IsMessage(err) || !strings.Contains(err.Error(), "version 2") {
				t.Errorf("%s: a message of version 2: %v", m.name, err)
			}
		}
		if _, _, err := m.decode([]byte{0x91, 0x01}); !wire.IsMessage(err) {
			t.Errorf("%s: one field: %v", m.name, err)
		}
	}
}

// The largest push of the largest seals, all of it held for the longest reasons, can be stored and read.
func TestFullPushIsStored(t *testing.T) {
	c := goldenCommit()
	c.Seq, c.Range.To, c.Held = 1000, 1000, nil
	var records [][]byte
	var seals []events.Seal
	for i := range 1000 {
		seals = append(seals, events.Seal{Seq: events.Seq(i + 1), Seen: strings.Repeat("s", wire.MaxSeen), Signature: make([]byte, 64)})
		c.Held = append(c.Held, wire.HeldRecord{Seq: events.Seq(i + 1), Hash: sum(fmt.Sprint(i)), Reason: strings.Repeat("r", wire.MaxReason)})
		records = append(records, bytes.Repeat([]byte{byte(i)}, (wire.MaxPlain-3000)/1000))
	}
	c.Seals = seals
	data := wire.EncodeStored(c, records)
	if len(data) > wire.MaxStored {
		t.Fatalf("%d bytes", len(data))
	}
	got, back, err := wire.DecodeStored(data)
	if err != nil {
		t.Fatal(err)
	}
	if diff := same(got, c); diff != "" || !slices.EqualFunc(back, records, bytes.Equal) {
		t.Errorf("it comes back as something else")
	}
}

// DecodeStored holds the records to the commit record's range and to their size.
func TestStoredRecords(t *testing.T) {
	records := goldenRecords()
	for _, n := range []int{0, 1, 3} {
		if _, _, err := wire.DecodeStored(wire.EncodeStored(goldenCommit(), records[:n])); !wire.IsMessage(err) {
			t.Errorf("%d records, 1 to 4: %v", n, err)
		}
	}
	if _, _, err := wire.DecodeStored(wire.EncodeStored(goldenCommit(), append(records, records[0]))); !wire.IsMessage(err) {
		t.Errorf("5 records, 1 to 4: %v", err)
	}
	records[1] = make([]byte, events.MaxRecord)
	if _, _, err := wire.DecodeStored(wire.EncodeStored(goldenCommit(), records)); err != nil {
		t.Errorf("a record of 64 KiB: %v", err)
	}
	records[1] = make([]byte, events.MaxRecord+1)
	if _, _, err := wire.DecodeStored(wire.EncodeStored(goldenCommit(), records)); !wire.IsMessage(err) {
		t.Errorf("a record over 64 KiB: %v", err)
	}
	if _, _, err := wire.DecodeStored(wire.Squeeze(nil)); !wire.IsMessage(err) {
		t.Errorf("an empty list: %v", err)
	}
	if _, _, err := wire.DecodeStored(make([]byte, wire.MaxMessage+1)); !wire.IsMessage(err) {
		t.Errorf("more than a message: %v", err)
	}
}

func TestReason(t *testing.T) {
	for _, s := range []string{"", "short", strings.Repeat("x", wire.MaxReason), strings.Repeat("é", wire.MaxReason), "x" + strings.Repeat("é", wire.MaxReason), "a\xffb", strings.Repeat("\xffx", 2000)} {
		r := wire.Reason(s)
		a := wire.Answer{Status: wire.Refused, Reason: r}
		if _, err := wire.DecodeAnswer(a.Encode()); err != nil {
			t.Errorf("%.20q…: %v", s, err)
		}
		if len(s) <= wire.MaxReason && strings.ToValidUTF8(s, "") == s && r != s {
			t.Errorf("%.20q… becomes %.20q…", s, r)
		}
		if len(s) > wire.MaxReason && len(r) < wire.MaxReason-3 {
			t.Errorf("%.20q… becomes %d bytes", s, len(r))
		}
	}
}

func TestSignatures(t *testing.T) {
	_, b := readGolden(t, "receipt")
	for name, change := range map[string]func(*wire.Receipt){
		"device": func(r *wire.Receipt) { r.Device = "tab-2" }, "first": func(r *wire.Receipt) { r.First++ }, "last": func(r *wire.Receipt) { r.Last++ },
		"link": func(r *wire.Receipt) { r.Link[0]++ }, "received": func(r *wire.Receipt) { r.Received++ }, "sequence": func(r *wire.Receipt) { r.Place.Seq++ },
		"hash": func(r *wire.Receipt) { r.Place.Hash[31]++ }, "creation": func(r *wire.Receipt) { r.Place.Created++ },
		"checkpoint": func(r *wire.Receipt) { r.Checkpoint += "\n" }, "signature": func(r *wire.Receipt) { r.Signature[5]++ },
		"no signature": func(r *wire.Receipt) { r.Signature = nil },
	} {
		r, err := wire.DecodeReceipt(b)
		if err != nil {
			t.Fatal(err)
		}
		if err := r.Verify(public(gateKey)); err != nil {
			t.Fatalf("the golden receipt: %v", err)
		}
		if err := r.Verify(public(deviceKey)); !errors.Is(err, wire.ErrReceipt) {
			t.Errorf("by another key: %v", err)
		}
		if err := r.Verify(nil); !errors.Is(err, wire.ErrReceipt) {
			t.Errorf("by no key: %v", err)
		}
		if change(r); !errors.Is(r.Verify(public(gateKey)), wire.ErrReceipt) {
			t.Errorf("%s can be changed", name)
		}
	}

	_, b = readGolden(t, "hello")
	for name, change := range map[string]func(*wire.HelloRequest){
		"seq": func(q *wire.HelloRequest) { q.Seq++ }, "link": func(q *wire.HelloRequest) { q.Link[0]++ }, "clock": func(q *wire.HelloRequest) { q.Clock++ },
		"signature": func(q *wire.HelloRequest) { q.Signature[63]++ },
	} {
		q, err := wire.DecodeHello(b)
		if err != nil {
			t.Fatal(err)
		}
		if err := q.Verify(public(deviceKey), "tab-1", helloInbox); err != nil {
			t.Fatalf("the golden hello: %v", err)
		}
		for _, other := range []error{
			q.Verify(public(deviceKey), "tab-2", helloInbox), q.Verify(public(deviceKey), "tab-1", helloInbox+"2"),
			q.Verify(public(gateKey), "tab-1", helloInbox), q.Verify(nil, "tab-1", helloInbox),
		} {
			if !errors.Is(other, wire.ErrHello) {
				t.Errorf("of another device, to another inbox, by another key: %v", other)
			}
		}
		if change(q); !errors.Is(q.Verify(public(deviceKey), "tab-1", helloInbox), wire.ErrHello) {
			t.Errorf("%s can be changed", name)
		}
	}

	_, b = readGolden(t, "aside")
	for name, change := range map[string]func(*wire.AsideRequest){
		"device": func(q *wire.AsideRequest) { q.Device = "tab-2" }, "push": func(q *wire.AsideRequest) { q.Push = q.Push[1:] },
		"signature": func(q *wire.AsideRequest) { q.Signature[0]++ }, "no signature": func(q *wire.AsideRequest) { q.Signature = nil },
	} {
		q, err := wire.DecodeAside(bytes.Clone(b))
		if err != nil {
			t.Fatal(err)
		}
		if err := q.Verify(public(deviceKey)); err != nil {
			t.Fatalf("the golden request: %v", err)
		}
		if !errors.Is(q.Verify(public(gateKey)), wire.ErrAside) || !errors.Is(q.Verify(nil), wire.ErrAside) {
			t.Error("it holds by another key")
		}
		if change(q); !errors.Is(q.Verify(public(deviceKey)), wire.ErrAside) {
			t.Errorf("%s can be changed", name)
		}
	}
}

func TestSubjects(t *testing.T) {
	for _, verb := range []wire.Verb{wire.Hello, wire.Push, wire.Back, wire.Pull, wire.Branch, "new"} {
		d, v, err := wire.ParseUp(wire.UpSubject("tab-1", verb))
		if err != nil || d != "tab-1" || v != verb {
			t.Errorf("%s: %s %s %v", verb, d, v, err)
		}
	}
	for _, s := range []string{"", "up", "up.tab-1", "up.tab-1.push.x", "down.tab-1.push", "up..push", "up._.push", "up.tab 1.push", "up.*.push"} {
		if _, _, err := wire.ParseUp(s); !wire.IsMessage(err) {
			t.Errorf("%q: %v", s, err)
		}
	}
	if d, err := wire.ParsePush(wire.PushSubject("tab-1")); err != nil || d != "tab-1" {
		t.Error(d, err)
	}
	for _, s := range []string{"push", "push.", "push.a.b", "log", "push.*"} {
		if _, err := wire.ParsePush(s); !wire.IsMessage(err) {
			t.Errorf("%q: %v", s, err)
		}
	}
	for s, own := range map[string]bool{
		"inbox.tab-1.a": true, "inbox.tab-1.a.b.c": true, "inbox.tab-1.$x": true,
		"": false, "inbox.tab-1": false, "inbox.tab-1.": false, "inbox.tab-1..a": false, "inbox.tab-1.a.": false, "inbox.tab-11.a": false, "inbox.tab-2.a": false,
		"inbox.tab-1.*": false, "inbox.tab-1.>": false, "inbox.tab-1.a.>": false, "inbox.tab-1.a b": false, "inbox.tab-1.a\tb": false,
		"push.tab-1": false, "$JS.API.STREAM.DELETE.RECORDS": false, "Inbox.tab-1.a": false,
	} {
		if got := wire.OwnInbox("tab-1", s); got != own {
			t.Errorf("%q: %v", s, got)
		}
	}
}
