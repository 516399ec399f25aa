package gate

import (
	"bytes"
	"crypto/ed25519"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"ullage/events"
	"ullage/events/pack"
	"ullage/events/wire"
)

func TestPushIsStored(t *testing.T) {
	w := newWorld(t)
	w.run(w.gate(nil))
	d := w.device("tab-1")
	d.writeOrdinary(7)
	before := w.state()
	first := d.sends(1, 3)
	if first.First != 1 || first.Place.Seq != before.LastSeq+1 {
		t.Errorf("the first receipt: %+v", first)
	}
	if got := w.state(); got.Msgs != before.Msgs+1 {
		t.Errorf("%d messages for one push", got.Msgs-before.Msgs)
	}
	d.sends(4, 4)
	d.sends(5, 7)
	d.checkStored(7)
	for _, m := range w.stored(d.id) {
		if m.commit.Gate != "gate-1" || len(m.commit.Held) > 0 || m.commit.Nonce == [16]byte{} || len(m.commit.Original) > 0 {
			t.Errorf("commit record %+v", m.commit)
		}
	}
	other := w.device("tab-2")
	other.writeOrdinary(2)
	other.sends(1, 2)
	other.checkStored(2)
	d.checkStored(7)
}

// A push that comes again, however late, is stored once; its answer is as good as the one that was lost.
func TestPushComesAgain(t *testing.T) {
	w := newWorld(t)
	w.run(w.gate(nil))
	d := w.device("tab-1")
	d.writeOrdinary(9)
	q := d.push(1, 4)
	first := d.sends(1, 4)
	before := w.state()

	window := w.records.CachedInfo().Config.Duplicates
	if window > time.Second {
		t.Fatalf("the stream remembers ids for %v", window)
	}
	time.Sleep(3 * window)
	for range 3 {
		a := d.ask(wire.Push, q.Encode())
		if a.Status != wire.Elsewhere {
			t.Fatalf("%s: %s", a.Status, a.Reason)
		}
		if again := d.checkCursor(a, 4); again.Place != first.Place || again.Received != first.Received || again.First != 1 {
			t.Errorf("the receipt was %+v, and is now %+v", first, again)
		}
	}
	// Cut otherwise, it is no other push.
	for _, part := range [][2]events.Seq{{1, 2}, {2, 4}, {3, 6}, {4, 4}} {
		if a := d.ask(wire.Push, d.push(part[0], part[1]).Encode()); a.Status != wire.Elsewhere {
			t.Errorf("records %d to %d: %s: %s", part[0], part[1], a.Status, a.Reason)
		} else {
			d.checkCursor(a, 4)
		}
	}
	if got := w.state(); got != before {
		t.Errorf("the stream was %+v, and is %+v", before, got)
	}
	d.sends(5, 9)
	a := d.ask(wire.Push, q.Encode()) // the receipt is for the last message
	if r := d.checkCursor(a, 9); a.Status != wire.Elsewhere || r.First != 5 {
		t.Errorf("%s, and a receipt from %d on", a.Status, r.First)
	}
	d.checkStored(9)
}

// Of two gates that get the same push at once, one commits, and the other says where the cursor stands.
func TestTwoGatesOnePush(t *testing.T) {
	w := newWorld(t)
	gates := []*Gate{w.gate(nil), w.gate(nil)}
	d := w.device("tab-1")
	const rounds = 60
	d.writeOrdinary(3 * rounds)
	for round := range events.Seq(rounds) {
		q := d.push(3*round+1, 3*round+3)
		answers := make([]wire.Answer, len(gates))
		errs := make([]error, len(gates))
		var begin, end sync.WaitGroup
		begin.Add(1)
		for i, g := range gates {
			end.Add(1)
			go func() {
				defer end.Done()
				begin.Wait()
				answers[i], errs[i] = g.Commit(t.Context(), d.id, d.known(), q)
			}()
		}
		begin.Done()
		end.Wait()
		count := map[wire.Status]int{}
		for i, a := range answers {
			if errs[i] != nil {
				t.Fatal(errs[i])
			}
			count[a.Status]++
			d.checkCursor(a, 3*round+3)
		}
		if count[wire.OK] != 1 || count[wire.Elsewhere] != 1 {
			t.Fatalf("round %d: %v", round, count)
		}
		if got := w.state().Msgs; got != uint64(round)+1 {
			t.Fatalf("round %d: %d messages", round, got)
		}
	}
	d.checkStored(3 * rounds)
}

// Several gates and one device that pushes what it likes: however they meet, the chain is stored once and in order.
func TestManyAtOnce(t *testing.T) {
	w := newWorld(t)
	gates := []*Gate{w.gate(nil), w.gate(nil)}
	d := w.device("tab-1")
	const most = 120
	d.writeOrdinary(most)
	seed := uint64(time.Now().UnixNano())
	t.Log("seed", seed)
	var all sync.WaitGroup
	for i := range 4 {
		all.Go(func() {
			random := rand.New(rand.NewPCG(seed, uint64(i)))
			cursor := events.Seq(0)
			for cursor < most {
				last := min(cursor+1+events.Seq(random.IntN(9)), most)
				a, err := gates[i%2].Commit(t.Context(), d.id, d.known(), d.push(cursor+1, last))
				if err != nil || a.Status != wire.OK && a.Status != wire.Elsewhere {
					t.Errorf("%s: %s, %v", a.Status, a.Reason, err)
					return
				}
				p, err := wire.DecodePushAnswer(a.Body)
				if err != nil || p.Link != d.links[p.Seq] || p.Seq < cursor {
					t.Errorf("the cursor was %d and is %d: %v", cursor, p.Seq, err)
					return
				}
				cursor = p.Seq
			}
		})
	}
	all.Wait()
	d.checkStored(most)
}

// A gate whose memory is old, because another one has moved the cursor, stores nothing and says what is true.
func TestStaleMemory(t *testing.T) {
	w := newWorld(t)
	old, other := w.gate(nil), w.gate(nil)
	d := w.device("tab-1")
	d.writeOrdinary(9)
	commit := func(g *Gate, q wire.PushRequest) wire.Answer {
		t.Helper()
		a, err := g.Commit(t.Context(), d.id, d.known(), q)
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	if a := commit(old, d.push(1, 2)); a.Status != wire.OK {
		t.Fatal(a.Status)
	}
	if a := commit(other, d.push(3, 5)); a.Status != wire.OK {
		t.Fatal(a.Status)
	}
	before := w.state()
	if c := old.cursors[d.id]; c.seq != 2 {
		t.Fatalf("the memory of the first gate is at %d", c.seq)
	}
	if a := commit(old, d.push(3, 7)); a.Status != wire.Elsewhere { // right for what it remembers
		t.Errorf("%s: %s", a.Status, a.Reason)
	} else {
		d.checkCursor(a, 5)
	}

	// Right for what it remembers, with another link: the device is elsewhere, and no fork.
	old.cursors[d.id] = &cursor{seq: 2, link: d.links[2], place: wire.Place{Seq: 1}}
	q := d.push(3, 7)
	q.Link[0]++
	if a := commit(old, q); a.Status != wire.Elsewhere {
		t.Errorf("%s: %s", a.Status, a.Reason)
	}

	// Wrong for what it remembers, and right.
	old.cursors[d.id] = &cursor{seq: 2, link: d.links[2], place: wire.Place{Seq: 1}}
	if got := w.state(); got != before {
		t.Errorf("the stream was %+v, and is %+v", before, got)
	}
	if a := commit(old, d.push(6, 9)); a.Status != wire.OK {
		t.Errorf("%s: %s", a.Status, a.Reason)
	} else {
		d.checkCursor(a, 9)
	}
	d.checkStored(9)
}

// stretch makes a record of exactly size bytes. Its kind is not known.
func (d *device) stretch(seq events.Seq, size int, fill func([]byte)) []byte {
	d.w.t.Helper()
	body := size - 128
	for {
		text := make([]byte, body)
		fill(text)
		r := d.record(seq, func(r *events.Record) {
			r.Kind = "load.put"
			r.Body = pack.AppendBin(append(pack.AppendMap(nil, 1), 0xa1, 'x'), text)
		})
		if len(r) == size {
			return r
		}
		body += size - len(r)
	}
}

func noise(b []byte) { copy(b, random(len(b))) }

func zeros([]byte) {}

// refusal is a push that stores nothing.
type refusal struct {
	name   string
	push   func(*device) []byte
	status wire.Status
	at     events.Seq
	words  string
}

func changed(f func(*device, *wire.PushRequest)) func(*device) []byte {
	return func(d *device) []byte {
		q := d.push(4, 8)
		f(d, &q)
		return q.Encode()
	}
}

// instead pushes records 4 to 6, another one standing in the place of 5, under a seal that holds.
func instead(make func(*device) []byte) func(*device) []byte {
	return func(d *device) []byte {
		other := d.other()
		other.write(d.chain[3], make(d), d.chain[5])
		return other.push(4, 6).Encode()
	}
}

// other is the same device with the chain that is stored and no more.
func (d *device) other() *device {
	o := *d
	o.chain, o.links = d.chain[:3:3], d.links[:4:4]
	return &o
}

func TestRefused(t *testing.T) {
	w := newWorld(t)
	w.run(w.gate(nil))
	d := w.device("tab-1")
	stranger := w.device("tab-2")
	d.writeOrdinary(8)
	d.sends(1, 3)
	before := w.state()

	tests := []refusal{
		{"a gap", func(d *device) []byte { return d.push(5, 8).Encode() }, wire.Elsewhere, 0, "up to 3"},
		{"an overlap", func(d *device) []byte { return d.push(3, 8).Encode() }, wire.Elsewhere, 0, "up to 3"},
		{"from far beyond", changed(func(d *device, q *wire.PushRequest) { q.First = 1<<64 - 1 }), wire.Elsewhere, 0, "up to 3"},
		{"another link", changed(func(d *device, q *wire.PushRequest) { q.Link[31]++ }), wire.Fork, 3, "before record 4"},
		{"another branch", func(d *device) []byte {
			o := *d
			o.chain, o.links = nil, d.links[:1:1]
			o.writeOrdinary(5)
			return o.push(4, 5).Encode()
		}, wire.Fork, 3, "before record 4"},
		{"another seal", changed(func(d *device, q *wire.PushRequest) { q.Seals[0].Signature[7]++ }), wire.Refused, 8, "does not hold"},
		{"a seal over something else", changed(func(d *device, q *wire.PushRequest) { q.Seals[0].Seen = "seen" }), wire.Refused, 8, "does not hold"},
		{"the seal of another device", changed(func(d *device, q *wire.PushRequest) {
			q.Seals[0] = events.SignSeal(stranger.key, d.id, 8, d.links[8], "")
		}), wire.Refused, 8, "does not hold"},
		{"a record exchanged under the seal", changed(func(d *device, q *wire.PushRequest) {
			var list []byte
			for i, r := range d.chain[3:8] {
				if i == 2 {
					r = d.record(6, nil)
				}
				list = wire.AppendPiece(list, r)
			}
			q.Data = wire.Squeeze(list)
		}), wire.Refused, 8, "does not hold"},
		{"a first seal that does not hold", changed(func(d *device, q *wire.PushRequest) {
			q.Seals = []events.Seal{events.SignSeal(stranger.key, d.id, 5, d.links[5], ""), d.seal(8)}
		}), wire.Refused, 5, "seal at record 5"},
		{"no seal", changed(func(d *device, q *wire.PushRequest) { q.Seals = nil }), wire.Refused, 8, "no seal over record 8"},
		{"no seal over the last", changed(func(d *device, q *wire.PushRequest) { q.Seals = []events.Seal{d.seal(7)} }), wire.Refused, 8, "no seal over record 8"},
		{"seals out of order", changed(func(d *device, q *wire.PushRequest) { q.Seals = []events.Seal{d.seal(6), d.seal(5), d.seal(8)} }), wire.Refused, 5, "out of order"},
		{"a seal twice", changed(func(d *device, q *wire.PushRequest) { q.Seals = []events.Seal{d.seal(6), d.seal(6), d.seal(8)} }), wire.Refused, 6, "twice"},
		{"a seal before the push", changed(func(d *device, q *wire.PushRequest) { q.Seals = []events.Seal{d.seal(3), d.seal(8)} }), wire.Refused, 3, "outside"},
		{"a seal behind the push", changed(func(d *device, q *wire.PushRequest) {
			s := d.seal(8)
			s.Seq = 9
			q.Seals = append(q.Seals, s)
		}), wire.Refused, 9, "outside"},
		{"a seal at 0", changed(func(d *device, q *wire.PushRequest) { q.Seals = []events.Seal{d.seal(0), d.seal(8)} }), wire.Refused, 0, "outside"},
		{"a record of another device", instead(func(d *device) []byte {
			return d.record(5, func(r *events.Record) { r.Device = "tab-2" })
		}), wire.Refused, 5, "tab-2"},
		{"a record with another number", instead(func(d *device) []byte { return d.record(6, nil) }), wire.Refused, 5, "number 6"},
		{"a record over 64 KiB", instead(func(*device) []byte { return bytes.Repeat([]byte{0x9e}, events.MaxRecord+1) }), wire.Refused, 5, "65537 bytes"},
		{"no record", func(d *device) []byte {
			return wire.PushRequest{First: 4, Link: d.links[3], Seals: []events.Seal{d.seal(3)}, Data: wire.Squeeze(nil)}.Encode()
		}, wire.Refused, 4, "no record"},
		{"an empty record", instead(func(*device) []byte { return nil }), wire.Refused, 4, "empty"},
		{"1001 records", func(d *device) []byte {
			o := d.other()
			o.writeOrdinary(1001)
			return o.push(4, 1004).Encode()
		}, wire.Refused, 4, "more than 1000"},
		{"more than 4 MiB of records", func(d *device) []byte {
			o := d.other()
			for seq := events.Seq(4); seq < 4+65; seq++ {
				o.write(o.stretch(seq, events.MaxRecord, zeros))
			}
			return o.push(4, 68).Encode()
		}, wire.Refused, 4, "at most 4194304"},
		{"one byte more than 4 MiB", func(d *device) []byte { return fourMiB(d, 1).Encode() }, wire.Refused, 4, "at most 4194304"},
		{"a frame of one byte more than 512 KiB", func(d *device) []byte {
			q := d.push(4, 8)
			q.Data = append(q.Data, random(wire.MaxFrame)...)
			for len(q.Encode()) > wire.MaxFrame+1 {
				q.Data = q.Data[:len(q.Data)-1]
			}
			return q.Encode()
		}, wire.Refused, 0, "at most 524288"},
		{"more to store than a message holds", wide, wire.Refused, 4, "push fewer records"},
		{"no zstd", changed(func(d *device, q *wire.PushRequest) { q.Data = []byte("no zstd") }), wire.Refused, 4, "zstd"},
		{"a bomb", changed(func(d *device, q *wire.PushRequest) {
			e, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1))
			if err != nil {
				panic(err)
			}
			q.Data = e.EncodeAll(make([]byte, 64<<20), nil)
		}), wire.Refused, 4, "at most 4194304"},
		{"a list that ends too early", changed(func(d *device, q *wire.PushRequest) { q.Data = wire.Squeeze([]byte{9, 'x'}) }), wire.Refused, 4, "beyond the end"},
		{"no push at all", func(*device) []byte { return []byte("push") }, wire.Refused, 0, "not the form"},
		{"nothing", func(*device) []byte { return nil }, wire.Refused, 0, "not the form"},
		{"a push from 0 on", changed(func(d *device, q *wire.PushRequest) { q.First = 0 }), wire.Refused, 0, "begin with 1"},
		{"a push of tomorrow", func(*device) []byte { return []byte{0x91, 0x02} }, wire.Refused, 0, "version 2"},
	}
	for _, test := range tests {
		a := d.ask(wire.Push, test.push(d))
		if a.Status != test.status || a.At != test.at || !strings.Contains(a.Reason, test.words) {
			t.Errorf("%s: %s at %d: %s", test.name, a.Status, a.At, a.Reason)
		}
		if test.status != wire.Refused {
			d.checkCursor(a, 3)
		} else if len(a.Body) > 0 {
			t.Errorf("%s: an answer with a body", test.name)
		}
		if got := w.state(); got != before {
			t.Fatalf("%s: the stream was %+v, and is %+v", test.name, before, got)
		}
	}
	d.sends(4, 8)
	d.checkStored(8)
}

// fourMiB is a push of records of exactly 4 MiB as a list, and more bytes.
func fourMiB(d *device, more int) wire.PushRequest {
	o := d.other()
	seq := events.Seq(4)
	left := wire.MaxPlain + more
	for ; left > 2*events.MaxRecord; seq++ {
		o.write(o.stretch(seq, events.MaxRecord, zeros))
		left -= events.MaxRecord + 3 // with its length before it
	}
	o.write(o.stretch(seq, left/2, zeros))
	o.write(o.stretch(seq+1, left-left/2-6, zeros))
	d.chain, d.links = o.chain, o.links
	q := o.push(4, seq+1)
	d.chain, d.links = d.chain[:8:8], d.links[:9:9]
	return q
}

// wide is a push whose frame is small only because it is compressed over a wider window than the gate uses: the same
// noise comes three times, far apart.
func wide(d *device) []byte {
	o := d.other()
	seq := events.Seq(4)
	add := func(r []byte) {
		o.write(r)
		seq++
	}
	pieces := make([][]byte, 6)
	for i := range pieces {
		pieces[i] = random(60_000)
	}
	for round := range 3 {
		for _, p := range pieces {
			add(o.stretch(seq, 60_400, func(b []byte) { copy(b, p) }))
		}
		for range 14 {
			if round < 2 {
				add(o.stretch(seq, events.MaxRecord, zeros))
			}
		}
	}
	q := o.push(4, seq-1)
	var list []byte
	for _, r := range o.chain[3:] {
		list = wire.AppendPiece(list, r)
	}
	e, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(8<<20))
	if err != nil {
		panic(err)
	}
	q.Data = e.EncodeAll(list, nil)
	return q.Encode()
}

// What is just within the limits is stored.
func TestLargest(t *testing.T) {
	w := newWorld(t)
	w.run(w.gate(nil))

	full := w.device("full")
	full.writeOrdinary(1000)
	full.sends(1, 1000)
	full.checkStored(1000)

	sealed := w.device("sealed")
	sealed.writeOrdinary(1000)
	q := sealed.push(1, 1000)
	q.Seals = nil
	for seq := events.Seq(1); seq <= 1000; seq++ {
		q.Seals = append(q.Seals, sealed.seal(seq))
	}
	if a := sealed.ask(wire.Push, q.Encode()); a.Status != wire.OK {
		t.Errorf("1000 seals: %s: %s", a.Status, a.Reason)
	}
	sealed.checkStored(1000)

	plain := w.device("plain")
	plain.writeOrdinary(8)
	plain.sends(1, 3)
	q = fourMiB(plain, 0)
	if a := plain.ask(wire.Push, q.Encode()); a.Status != wire.OK {
		t.Errorf("4 MiB: %s: %s", a.Status, a.Reason)
	}

	frame := w.device("frame")
	var list []byte
	size := func() int {
		q = wire.PushRequest{First: 1, Link: frame.links[0], Seals: []events.Seal{frame.seal(events.Seq(len(frame.chain)))}, Data: wire.Squeeze(list)}
		return len(q.Encode())
	}
	for seq := events.Seq(1); seq <= 8; seq++ { // noise, the last as long as the frame allows
		length := events.MaxRecord
		if seq == 8 {
			length = min(length, wire.MaxFrame-size()-100)
		}
		r := frame.stretch(seq, length, noise)
		frame.write(r)
		list = wire.AppendPiece(list, r)
	}
	if n := size(); n > wire.MaxFrame || n < wire.MaxFrame-200 {
		t.Fatalf("a frame of %d bytes", n)
	}
	if a := frame.ask(wire.Push, q.Encode()); a.Status != wire.OK {
		t.Errorf("512 KiB of noise: %s: %s", a.Status, a.Reason)
	}
	frame.checkStored(8)
}

// What cannot be let through stops nothing: it is stored in its place, and named.
func TestHeld(t *testing.T) {
	w := newWorld(t)
	w.run(w.gate(nil))
	d := w.device("tab-1")
	body := func(b events.Body) func(*events.Record) {
		raw, err := events.EncodeBody(b)
		if err != nil {
			t.Fatal(err)
		}
		return func(r *events.Record) { r.Kind, r.Body = b.Kind(), raw }
	}
	raw := func(kind events.Kind, v int, b ...byte) func(*events.Record) {
		return func(r *events.Record) { r.Kind, r.V, r.Body = kind, v, b }
	}
	target := func(device events.DeviceID) events.Target {
		return events.Target{Device: device, Seq: 1, Hash: events.HashRecord([]byte("x"))}
	}
	tests := []struct {
		name   string
		record func(events.Seq) []byte
		reason string // empty: it is not held
	}{
		{"an ordinary one", func(n events.Seq) []byte { return d.record(n, nil) }, ""},
		{"no record at all", func(events.Seq) []byte { return []byte("no record") }, "not the form of a record"},
		{"one byte", func(events.Seq) []byte { return []byte{0} }, "not the form of a record"},
		{"a byte behind its end", func(n events.Seq) []byte { return append(d.record(n, nil), 0) }, "left over"},
		{"another identifier", func(n events.Seq) []byte {
			return bytes.Replace(d.record(n, nil), []byte("north-yard"), []byte("north yard"), 1)
		}, "site"},
		{"a known kind with a field it does not have", func(n events.Seq) []byte {
			return d.record(n, raw("staff.signed-on", 1, 0x82, 0xa3, 'h', 'o', 'w', 0xa3, 'p', 'i', 'n', 0xa1, 'x', 1))
		}, "staff.signed-on: x"},
		{"a known kind without a field it needs", func(n events.Seq) []byte { return d.record(n, raw("time.spent", 1, 0x80)) }, "minutes"},
		{"a whole number for a fraction", func(n events.Seq) []byte {
			return d.record(n, raw("time.spent", 1, []byte("\x82\xa7minutes\x05\xa4what\xa4work")...))
		}, "minutes"},
		{"an unknown kind", func(n events.Seq) []byte { return d.record(n, raw("moon.landed", 1, 0x81, 0xa1, 'x', 1)) }, ""},
		{"an unknown version", func(n events.Seq) []byte { return d.record(n, raw("time.spent", 99, 0x80)) }, ""},
		{"an unknown word of a list", func(n events.Seq) []byte { return d.record(n, body(&events.TimeSpent{What: "sleeping", Minutes: 5})) }, ""},
		{"a value out of range", func(n events.Seq) []byte { return d.record(n, body(&events.TimeSpent{What: "work", Minutes: -5e9})) }, ""},
		{"a time of the year 9999", func(n events.Seq) []byte {
			return d.record(n, func(r *events.Record) { r.Done, r.Clock = events.MaxMillis, 1<<64-1 })
		}, ""},
		{"an office's register kind", func(n events.Seq) []byte { return d.record(n, body(&events.CustomerEntered{Code: "C-1", Lang: "en"})) }, "office"},
		{"an office's decision", func(n events.Seq) []byte { return d.record(n, body(&events.RecordAdmitted{Target: target(d.id)})) }, "office"},
		{"a correction of its own", func(n events.Seq) []byte {
			return d.record(n, body(&events.RecordWithdrawn{Target: target(d.id), Why: events.Text{Plain: "twice"}}))
		}, ""},
		{"a correction of another's", func(n events.Seq) []byte {
			return d.record(n, body(&events.RecordWithdrawn{Target: target("tab-2"), Why: events.Text{Plain: "twice"}}))
		}, "of a record of tab-2"},
		{"an amendment of another's", func(n events.Seq) []byte {
			return d.record(n, body(&events.RecordAmended{Target: target("office-1"), Machine: "m-1", Why: events.Text{Plain: "other"}}))
		}, "of a record of office-1"},
		{"a name that would make the reason too long", func(n events.Seq) []byte {
			return d.record(n, func(r *events.Record) {
				b := pack.AppendString(pack.AppendFloat(pack.AppendString(pack.AppendMap(nil, 3), "minutes"), 5), "what")
				r.Body = pack.AppendUint(pack.AppendString(pack.AppendString(b, "work"), strings.Repeat("é", 9000)), 1)
			})
		}, "é"},
		{"as large as a record can be", func(n events.Seq) []byte { return d.stretch(n, events.MaxRecord, zeros) }, ""},
		{"an ordinary one at the end", func(n events.Seq) []byte { return d.record(n, nil) }, ""},
	}
	want := map[events.Seq]string{}
	for _, test := range tests {
		seq := events.Seq(len(d.chain) + 1)
		d.write(test.record(seq))
		if test.reason != "" {
			want[seq] = test.reason
		}
	}
	last := events.Seq(len(d.chain))
	d.sends(1, last)
	d.checkStored(last)
	c := w.stored(d.id)[0].commit
	for _, h := range c.Held {
		if want[h.Seq] == "" || !strings.Contains(h.Reason, want[h.Seq]) || h.Hash != events.HashRecord(d.chain[h.Seq-1]) || len(h.Reason) > wire.MaxReason {
			t.Errorf("record %d (%s) is held: %q", h.Seq, tests[h.Seq-1].name, h.Reason)
		}
		delete(want, h.Seq)
	}
	for seq := range want {
		t.Errorf("record %d (%s) is not held", seq, tests[seq-1].name)
	}

	// And it goes on behind.
	d.writeOrdinary(2)
	d.sends(last+1, last+2)
	d.checkStored(last + 2)
}

// The office writes its kinds, and corrects everybody's records.
func TestOfficeIsNotHeld(t *testing.T) {
	w := newWorld(t)
	g := w.gate(nil)
	id, key := w.trust.Office()
	o := &device{w: w, id: id, key: key, links: []events.Hash{events.FirstLink(id, key.Public().(ed25519.PublicKey))}}
	for i, b := range []events.Body{
		&events.CustomerEntered{Code: "C-1", Lang: "en"},
		&events.RecordWithdrawn{Target: events.Target{Device: "tab-1", Seq: 1, Hash: events.HashRecord(nil)}, Why: events.Text{Plain: "twice"}},
		&events.RecordAdmitted{Target: events.Target{Device: "tab-1", Seq: 2, Hash: events.HashRecord(nil)}},
	} {
		raw, err := events.EncodeBody(b)
		if err != nil {
			t.Fatal(err)
		}
		o.write(o.record(events.Seq(i+1), func(r *events.Record) { r.Kind, r.Body = b.Kind(), raw }))
	}
	known, ok := w.find(id)
	if !ok || !known.Office {
		t.Fatalf("the office is %+v", known)
	}
	a, err := g.Commit(t.Context(), id, known, o.push(1, 3))
	if err != nil || a.Status != wire.OK {
		t.Fatalf("%s: %s, %v", a.Status, a.Reason, err)
	}
	o.checkStored(3)
	if c := w.stored(id)[0].commit; len(c.Held) > 0 {
		t.Errorf("held: %+v", c.Held)
	}
}

// A device whose every record is held for as long a reason as can be, under as many and as long seals as its frame
// carries, does not leave a message behind that nobody can read.
func TestAllHeld(t *testing.T) {
	w := newWorld(t)
	w.run(w.gate(nil))
	d := w.device("tab-1")
	for seq := events.Seq(1); seq <= 1000; seq++ {
		d.write(d.record(seq, func(r *events.Record) {
			r.Body = pack.AppendUint(pack.AppendString(pack.AppendMap(nil, 1), strings.Repeat("a", 600)), 1)
		}))
	}
	q := d.push(1, 1000)
	q.Seals = nil
	for seq := events.Seq(1000 - 462); seq <= 1000; seq++ {
		q.Seals = append(q.Seals, events.SignSeal(d.key, d.id, seq, d.links[seq], strings.Repeat("s", wire.MaxSeen)))
	}
	if a := d.ask(wire.Push, q.Encode()); a.Status != wire.OK {
		t.Fatalf("%s: %s", a.Status, a.Reason)
	}
	d.checkStored(1000)
	c := w.stored(d.id)[0].commit
	if len(c.Held) != 1000 {
		t.Errorf("%d are held", len(c.Held))
	}
	if n := len(c.Encode()); n <= wire.MaxMessage {
		t.Errorf("a commit record of %d bytes; it was meant to be larger than a message", n)
	}
	d.writeOrdinary(1)
	d.sends(1001, 1001)
}

// What stands last on a device's subject and cannot be read is the centre's trouble: the device is told to wait, and
// nothing is stored.
func TestDamagedMessage(t *testing.T) {
	w := newWorld(t)
	g := w.gate(nil)
	w.run(g)
	d := w.device("tab-1")
	d.writeOrdinary(2)
	if _, err := g.cfg.Log.records.append(t.Context(), d.id, 0, []byte("damaged")); err != nil {
		t.Fatal(err)
	}
	before := w.state()
	for _, verb := range []wire.Verb{wire.Push, wire.Push} {
		if a := d.ask(verb, d.push(1, 2).Encode()); a.Status != wire.Busy || a.Wait == 0 {
			t.Errorf("%s: %s: %s", verb, a.Status, a.Reason)
		}
	}
	if got := w.state(); got != before {
		t.Errorf("the stream was %+v, and is %+v", before, got)
	}
}
