package store

import (
	"context"
	"fmt"
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
