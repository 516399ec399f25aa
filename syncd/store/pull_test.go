package store

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"ullage/events"
	"ullage/events/wire"
)

// desk is a model that messages are written into as a test goes on, and devices with what they have pulled.
type desk struct {
	t        *testing.T
	s        *Store
	e        *engine
	messages []sent
	office   *pad
	one, two *pad
}

func newDesk(t *testing.T) *desk {
	t.Helper()
	d := &desk{t: t, office: newPad(t, "office-1"), one: newPad(t, "tab-1"), two: newPad(t, "tab-2")}
	d.s, d.e = opened(t, t.TempDir())
	t.Cleanup(func() {
		d.e.close()
		shut(t, d.s)
	})
	return d
}

// push sends what a device has written, an hour after it happened.
func (d *desk) push(p *pad) sent {
	d.t.Helper()
	x := stretch{p, p.pushed, len(p.written), p.written[len(p.written)-1].Record.Clock.At() + 3_600_000}
	p.pushed = x.to
	m := x.send(uint64(len(d.messages)+1), 0)
	d.messages = append(d.messages, m)
	if err := d.e.apply([]*message{m.read(d.t)}); err != nil {
		d.t.Fatal(err)
	}
	return m
}

// tell lets a device write and push one record.
func (d *desk) tell(p *pad, minute int, o on, body events.Body) *written {
	d.t.Helper()
	w := p.write(began.Add(time.Duration(minute)*time.Minute), o, body)
	d.push(p)
	return w
}

// held lets a device write and push a record that is held.
func (d *desk) held(p *pad, minute int, o on, body events.Body) *written {
	d.t.Helper()
	w := p.write(began.Add(time.Duration(minute)*time.Minute), o, body)
	w.held = "waits for the office"
	d.push(p)
	return w
}

// copied is what a device has pulled.
type copied struct {
	device events.DeviceID
	stand  wire.PullRequest
	has    map[string]bool // device/seq of the records
}

func newCopied(id events.DeviceID) *copied { return &copied{device: id, has: map[string]bool{}} }

// pull asks until there is no more, with little room in each answer, and tells what came: records, and what else.
func (d *desk) pull(c *copied, room int) (came string, answers int) {
	d.t.Helper()
	var news []string
	for more := true; more; answers++ {
		a, err := d.s.pull(context.Background(), c.device, c.stand, room)
		if err != nil {
			d.t.Fatal(err)
		}
		if a.Reset {
			*c = *newCopied(c.device)
			news = append(news, "reset")
		}
		for _, m := range a.Drop {
			news = append(news, "drop "+string(m))
			c.stand.Copies = slices.DeleteFunc(c.stand.Copies, func(k wire.Copy) bool { return k.Machine == m })
		}
		size := 0
		for _, p := range a.Records {
			r, err := events.DecodeRecord(p.Record)
			if err != nil {
				d.t.Fatal(err)
			}
			name := fmt.Sprintf("%s/%d", r.Device, r.Seq)
			if !c.has[name] {
				c.has[name] = true
				news = append(news, name)
			}
			size += len(p.Record) + 48
		}
		if size > room && len(a.Records) > 0 && !d.isOneMessage(a.Records) {
			d.t.Errorf("%d bytes of several messages in an answer, at most %d are allowed", size, room)
		}
		c.stand = wire.PullRequest{Place: a.Place, Copies: mergeCopies(c.stand.Copies, a.Copies)}
		if more = a.More; more && len(a.Records) == 0 {
			d.t.Fatal("more, but nothing came")
		}
	}
	return strings.Join(news, " "), answers
}

func (d *desk) isOneMessage(records []wire.Pulled) bool {
	return !slices.ContainsFunc(records, func(p wire.Pulled) bool { return p.Commit != records[0].Commit })
}

func mergeCopies(old, news []wire.Copy) []wire.Copy {
	for _, n := range news {
		if i := slices.IndexFunc(old, func(o wire.Copy) bool { return o.Machine == n.Machine }); i >= 0 {
			old[i] = n
		} else {
			old = append(old, n)
		}
	}
	return old
}

func (d *desk) wantPull(c *copied, want string) {
	d.t.Helper()
	if got, _ := d.pull(c, wire.MaxPull); got != want {
		d.t.Errorf("pulled %q, want %q", got, want)
	}
}

var (
	atYard = on{site: "yard", machine: "m-1"}
	atShed = on{site: "shed", machine: "m-2"}
)

func dipped(litres float64) *events.ReadingTaken {
	return &events.ReadingTaken{Quantity: "volume", Value: &litres, Method: "dip", Moment: "arrival"}
}

// enter puts both machines on the register.
func (d *desk) enter() {
	d.office.write(began, on{site: "yard"}, &events.SiteEntered{})
	d.office.write(began, atYard, &events.MachineEntered{Class: "sink"})
	d.office.write(began, atShed, &events.MachineEntered{Class: "sink"})
	d.push(d.office)
}

func (d *desk) grant(minute int, to events.DeviceID, sites ...events.SiteID) {
	d.tell(d.office, minute, on{}, &events.InterestGranted{Device: to, Sites: sites})
}

// The register goes to everybody; records of machines go where the centre says they concern.
func TestPullInterest(t *testing.T) {
	d := newDesk(t)
	one := newCopied("tab-1")
	d.wantPull(one, "")
	d.enter() // office-1/1 to 3
	d.wantPull(one, "office-1/1 office-1/2 office-1/3")
	d.wantPull(one, "")
	d.tell(d.two, 1, atYard, dipped(100))
	d.tell(d.one, 2, atYard, dipped(101))
	d.wantPull(one, "")
	d.tell(d.office, 3, on{}, &events.RoundAssigned{Device: "tab-1", Day: "2026-03-03", Sites: []events.SiteID{"yard"}}) // 4
	d.wantPull(one, "tab-2/1")
	d.tell(d.two, 4, atShed, dipped(50))
	d.wantPull(one, "")
	d.grant(5, "tab-1", "shed") // 5
	d.wantPull(one, "tab-2/2")
	d.grant(6, "tab-1") // 6: nothing any more
	d.tell(d.two, 7, atShed, dipped(51))
	d.wantPull(one, "drop m-2")
	d.tell(d.two, 8, atYard, dipped(102))
	d.wantPull(one, "tab-2/4")
	d.tell(d.office, 9, on{}, &events.RoundChanged{Device: "tab-1", Day: "2026-03-03", Sites: []events.SiteID{"shed"}}) // 7
	d.wantPull(one, "drop m-1 tab-2/3")
	d.tell(d.office, 10, atShed, &events.MachineMoved{From: "shed", To: "yard"}) // 8
	d.wantPull(one, "drop m-2 office-1/8")
	d.grant(11, "tab-1", "yard") // 9
	d.wantPull(one, "")          // what the test still has of both
	if c := one.stand.Copies; len(c) != 2 {
		t.Errorf("copies %v, want both machines", c)
	}
	d.tell(d.office, 12, atYard, &events.MachineRetired{}) // 10
	d.wantPull(one, "drop m-1 office-1/10")

	two := newCopied("tab-2") // another device has its own rounds
	d.wantPull(two, "office-1/1 office-1/2 office-1/3 office-1/8 office-1/10")
}

// A correction, or an admission, brings records into a history that arrived long before: a copy that is behind them
// gets them all the same.
func TestPullWhatCorrectionsBring(t *testing.T) {
	d := newDesk(t)
	one := newCopied("tab-1")
	d.enter()
	d.grant(1, "tab-1", "yard") // 4
	wrong := d.tell(d.two, 2, atShed, dipped(77))
	d.tell(d.two, 3, atYard, dipped(100))
	d.wantPull(one, "office-1/1 office-1/2 office-1/3 tab-2/2")
	d.tell(d.two, 4, atShed, &events.RecordAmended{Target: wrong.Target(), Machine: "m-1", Why: events.Text{Plain: "mixed up"}})
	d.wantPull(one, "tab-2/1 tab-2/3")

	held := d.held(d.two, 5, atYard, dipped(300))
	d.tell(d.two, 6, atYard, dipped(101))
	d.wantPull(one, "tab-2/5")                                                 // what is held does not go out
	d.tell(d.office, 7, atYard, &events.RecordAdmitted{Target: held.Target()}) // 5
	d.wantPull(one, "office-1/5 tab-2/4")
	d.wantPull(one, "")
	late := newCopied("tab-1")
	d.wantPull(late, "office-1/1 office-1/2 office-1/3 tab-2/2 tab-2/1 tab-2/3 tab-2/4 tab-2/5 office-1/5")

	// An entry of the register likewise, and a correction that is there before its target.
	entry := d.office.write(began, atYard, &events.FluidSpecified{Fluid: "BF-A"}) // 6, not pushed yet
	d.two.write(began.Add(8*time.Minute), atYard, &events.RecordAmended{Target: entry.Target(), By: "T9", Why: events.Text{Plain: "x"}}).held = "waits"
	d.push(d.two)
	d.wantPull(one, "")
	d.push(d.office)
	d.wantPull(one, "office-1/6")
	d.tell(d.office, 9, atYard, &events.RecordAdmitted{Target: d.two.written[5].Target()}) // 7
	d.wantPull(one, "office-1/7 tab-2/6")
}

// In however many answers: everything comes, never a half message, and a copy is never ahead of what came.
func TestPullInPieces(t *testing.T) {
	d := newDesk(t)
	d.enter()
	d.grant(1, "tab-1", "yard", "shed")
	for n := range 40 {
		for k := range n%4 + 1 {
			d.two.write(began.Add(time.Duration(n)*time.Minute), []on{atYard, atShed}[k%2], dipped(float64(n)))
		}
		if n%5 == 0 {
			d.office.write(began.Add(time.Duration(n)*time.Minute), on{}, &events.PartSpecified{Part: events.Code(fmt.Sprint("F-", n))})
			d.push(d.office)
		}
		d.push(d.two)
	}
	whole := newCopied("tab-1")
	all, n := d.pull(whole, wire.MaxPull)
	if n != 1 || len(whole.has) != len(d.two.written)+len(d.office.written)-1 {
		t.Fatalf("%d records in %d answers: %s", len(whole.has), n, all)
	}
	for _, room := range []int{1, 500, 2000} {
		c := newCopied("tab-1")
		got, n := d.pull(c, room)
		if len(c.has) != len(whole.has) || n < 3 {
			t.Errorf("with room for %d bytes %d records come in %d answers: %s", room, len(c.has), n, got)
		}
		if c.stand.Place != whole.stand.Place {
			t.Errorf("it stands at %v, want %v", c.stand.Place, whole.stand.Place)
		}
		d.wantPull(c, "")
	}
}

// Where a device's place does not hold, it begins at nothing.
func TestPullReset(t *testing.T) {
	d := newDesk(t)
	d.enter()
	d.grant(1, "tab-1", "yard")
	d.tell(d.two, 2, atYard, dipped(100))
	const all = "office-1/1 office-1/2 office-1/3 tab-2/1"
	one := newCopied("tab-1")
	d.wantPull(one, all)
	good := one.stand
	for _, c := range []struct {
		what string
		edit func(*wire.PullRequest)
		want string
	}{
		{"as it was", func(*wire.PullRequest) {}, ""},
		{"another stream", func(q *wire.PullRequest) { q.Place.Created++ }, "reset " + all},
		{"another message there", func(q *wire.PullRequest) { q.Place.Hash[0]++ }, "reset " + all},
		{"beyond the end", func(q *wire.PullRequest) { q.Place.Seq += 9 }, "reset " + all},
		{"no place, and yet a copy", func(q *wire.PullRequest) { q.Place = wire.Place{} }, "reset " + all},
		{"of a machine that is unknown here", func(q *wire.PullRequest) { q.Copies = append(q.Copies, wire.Copy{Machine: "m-9"}) }, "drop m-9"},
	} {
		x := &copied{device: "tab-1", stand: wire.PullRequest{Place: good.Place, Copies: slices.Clone(good.Copies)}, has: map[string]bool{}}
		c.edit(&x.stand)
		if got, _ := d.pull(x, wire.MaxPull); got != c.want {
			t.Errorf("%s: pulled %q, want %q", c.what, got, c.want)
		}
	}
}

// holdings are what a device has pulled, as it keeps it.
type holdings struct {
	stand wire.PullRequest
	has   map[events.Hash]*events.Record
}

// pullAll asks until there is no more.
func (d *desk) pullAll(h *holdings, device events.DeviceID, room int) {
	d.t.Helper()
	for n := 0; ; n++ {
		a, err := d.s.pull(context.Background(), device, h.stand, room)
		if err != nil || n > 200 {
			d.t.Fatal(n, err)
		}
		for _, m := range a.Drop {
			maps.DeleteFunc(h.has, func(_ events.Hash, r *events.Record) bool { return r.Machine == m })
			h.stand.Copies = slices.DeleteFunc(h.stand.Copies, func(k wire.Copy) bool { return k.Machine == m })
		}
		for _, p := range a.Records {
			r, err := events.DecodeRecord(p.Record)
			if err != nil {
				d.t.Fatal(err)
			}
			h.has[events.HashRecord(p.Record)] = &r
		}
		h.stand = wire.PullRequest{Place: a.Place, Copies: mergeCopies(h.stand.Copies, a.Copies)}
		if !a.More {
			return
		}
	}
}

// Of a device that has forked others have what counts, and nothing else, whatever they had before, and in however many
// answers it comes: what they had before the fork was known, what the office settles, and settles the other way.
func TestPullBranches(t *testing.T) {
	d := newDesk(t)
	d.enter()
	d.grant(1, "tab-1", "yard", "shed")
	for n := range 20 {
		d.tell(d.two, 2+n, []on{atYard, atShed}[n%2], dipped(float64(n)))
	}
	copy := d.two.part(15, 1)
	rooms := map[int]*holdings{1: nil, 700: nil, wire.MaxPull: nil}
	for room := range rooms {
		rooms[room] = &holdings{has: map[events.Hash]*events.Record{}}
	}
	first := events.Branch{Seq: 16, Link: d.two.written[15].link}
	var second events.Branch
	want := func(what string, main, branch int) {
		t.Helper()
		hashes := map[events.Hash]bool{}
		for _, w := range d.two.written[:main] {
			hashes[w.Hash] = true
		}
		if branch > 0 {
			for _, w := range copy.written[15:branch] {
				hashes[w.Hash] = true
			}
		}
		for room, h := range rooms {
			d.pullAll(h, "tab-1", room)
			n := 0
			for hash, r := range h.has {
				if r.Device == "tab-2" {
					if n++; !hashes[hash] {
						t.Errorf("%s, room for %d: record %d of tab-2, which does not count", what, room, r.Seq)
					}
				}
			}
			if n != len(hashes) {
				t.Errorf("%s, room for %d: %d records of tab-2 that count, of %d", what, room, n, len(hashes))
			}
			if others := len(h.has) - n; others < 3 { // the register; and what the office has settled
				t.Errorf("%s, room for %d: %d other records", what, room, others)
			}
		}
	}
	settle := func(b events.Branch) *written {
		return d.tell(d.office, 90, on{}, &events.BranchSettled{Device: "tab-2", Stands: b})
	}
	want("before", 20, 0)
	d.tell(copy, 50, atYard, dipped(500))
	second = events.Branch{Seq: 16, Link: copy.written[15].link}
	want("a fork is known", 15, 0)
	d.tell(copy, 51, atShed, dipped(501))
	want("more of the branch", 15, 0)
	settle(first)
	want("the first stands", 20, 0)
	last := settle(second)
	want("the second stands", 15, 17)
	d.tell(copy, 52, atYard, dipped(502))
	want("more of what stands", 15, 18)
	d.tell(d.office, 95, on{}, &events.RecordWithdrawn{Target: last.Target(), Why: events.Text{Plain: "no"}})
	want("taken back", 20, 0)
}

// A device that asks for its own records, or for where its chain stands, is answered from the chain that came first, and so
// is whoever asks for the message that brought a record: also where a branch came with it in the midst of that.
func TestOwnChainOfAFork(t *testing.T) {
	d := newDesk(t)
	for n := range 6 {
		d.tell(d.one, n, atYard, dipped(float64(n)))
	}
	branch := d.one.part(2, 1)
	for n := range 9 {
		d.tell(branch, 20+n, atYard, dipped(float64(100+n)))
	}
	d.tell(d.one, 30, atYard, dipped(6))
	own, err := d.s.Own(soon(t), "tab-1", wire.Range{From: 1, To: 11})
	if err != nil || len(own.Records) != 7 {
		t.Fatalf("%d records, %v", len(own.Records), err)
	}
	for i, w := range d.one.written {
		if string(own.Records[i]) != string(w.raw) {
			t.Errorf("record %d is another copy's", i+1)
		}
		link, key, err := d.s.ChainAt(soon(t), "tab-1", events.Seq(i+1))
		if err != nil || key == nil || link != w.link {
			t.Errorf("link at %d: %s, %v", i+1, link, err)
		}
		if p, err := d.s.Push(soon(t), "tab-1", events.Seq(i+1)); err != nil || string(p.Records[0]) != string(w.raw) {
			t.Errorf("the message that brought record %d: %v", i+1, err)
		}
	}
	if _, key, err := d.s.ChainAt(soon(t), "tab-1", 8); key != nil || err != nil {
		t.Errorf("beyond its end: %v", err)
	}
	all, branches, err := d.s.Stock(soon(t))
	if err != nil || !slices.Equal(all["tab-1"], wire.Ranges{{From: 1, To: 7}}) || !slices.Equal(branches["tab-1"], wire.Ranges{{From: 3, To: 11}}) {
		t.Errorf("stock %v, %v, %v", all, branches, err)
	}
}
