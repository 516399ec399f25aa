// Package gate validates what devices push and commits it; it answers what they ask.
//
// A device asks on up.<device>.<verb>, in an account of its own; the gate hears it over one connection and commits
// over another, in the centre's account. The broker checks the subject that a device publishes on, not the reply
// subject that it names: so the gate answers only where the reply lies in the inbox of the device that the request's
// subject names. Anything else is dropped and counted.
//
// A push is stored as one message on push.<device>, with the sequence of the last message there as an expectation:
// of two gates, a retry and a replayed request, one commits, and the others learn where the cursor stands. The gate's
// memory of cursors is only a guess that saves a question; the expectation decides. A receipt is sent after the broker
// has said that the message is on its disk. When the broker says nothing in time, the outcome is unknown: the gate
// reads what stands last on the subject and decides by the cursor in it.
//
// The gate judges form, not meaning: a record that hashes and chains but has not the form of its kind, or that its
// device may not write, is held, stored in its place and skipped by folds until the office lets it in.
package gate

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/seldom"
)

// Device is what the gate must know of a device.
type Device struct {
	Key     ed25519.PublicKey // of its enrolment, by which its chain begins; which one seals now stands in RECORDS
	Office  bool              // it may write the office's kinds and correct any record
	Revoked bool
	Frozen  bool // it has forked: nothing more goes on push.<device>
}

// Reader answers what devices pull; the read model does.
type Reader interface {
	// Pull answers with records of others that concern the device.
	Pull(ctx context.Context, device events.DeviceID, q wire.PullRequest) (*wire.PullAnswer, error)
	// Own answers with the device's own records from r.From on, as many as one answer holds, and their seals.
	Own(ctx context.Context, device events.DeviceID, r wire.Range) (wire.BackAnswer, error)
	// ChainAt returns the link at a record of the device's chain in RECORDS, and the key that seals behind it; a nil key
	// where the record has not come.
	ChainAt(ctx context.Context, device events.DeviceID, seq events.Seq) (events.Hash, ed25519.PublicKey, error)
	// Erased lists the pieces of evidence that the office has erased and whose erasure the device has not confirmed in
	// its records up to a number, as many as one record can confirm.
	Erased(ctx context.Context, device events.DeviceID, upto events.Seq) ([]events.Digest, error)
}

// Config is what a gate works with. All fields without a default must be set.
type Config struct {
	Name     events.DeviceID    // that stands in receipts
	Key      ed25519.PrivateKey // that signs receipts
	Gates    func() []wire.GateKey
	Devices  *nats.Conn // in the devices' account: hears up.*.*, may publish on inbox.*.> only
	Log      *Log       // RECORDS, in the centre's account
	Find     func(events.DeviceID) (Device, bool)
	Reader   Reader
	Now      func() events.Millis
	Random   io.Reader
	Messages *slog.Logger                // words for operators
	Public   Public                      // the public log; nil: there is none
	Rest     func(events.DeviceID)       // cuts the connections of a device and keeps it out for a while; nil: none are
	Forked   func(Fork) error            // freezes a device, and returns once that is written down; nil: none are, and no branch is taken
	Current  func(context.Context) error // returns nil once Public has all that RECORDS has, or will never have more; nil: it always has
	Conflict func(Conflict)              // hears where a device has checked another past of the log; set where Public is
	Missing  Missing                     // what RECORDS has lost; nil: nothing is looked for

	Lag time.Duration // how long the log is waited for that has not reached what a device has checked: another centre may have taken it there; 0: 2 s

	MostPushes int // pushes at once; beyond it a device is told "busy". Default: 8 for each processor, at most 64
	MostAsked  int // other requests at once. Default as MostPushes
}

// Gate is one gate. Make it with New; Run makes it answer; Commit works without Run.
type Gate struct {
	cfg Config

	impatient impatient // of who hears

	pushes slots
	asked  slots
	handed slots // what revoked devices hand over
	work   sync.WaitGroup

	mu      sync.Mutex // guards what follows
	cursors map[events.DeviceID]*cursor
	asides  map[events.DeviceID]asideSize

	trees sync.Mutex // guards tree
	tree  tree       // of the device that brought a branch last

	dropped    atomic.Uint64
	busy       atomic.Uint64
	complained seldom.Second
}

// New makes a gate that does nothing yet.
func New(cfg Config) *Gate {
	cfg.Lag = cmp.Or(cfg.Lag, 2*time.Second)
	// More at once would not be done sooner, but each of them later.
	most := min(8*runtime.GOMAXPROCS(0), 64)
	cfg.MostPushes, cfg.MostAsked = cmp.Or(cfg.MostPushes, most), cmp.Or(cfg.MostAsked, most)
	return &Gate{
		cfg: cfg, cursors: map[events.DeviceID]*cursor{}, asides: map[events.DeviceID]asideSize{},
		pushes: newSlots(cfg.MostPushes), asked: newSlots(cfg.MostAsked), handed: newSlots(mostHanded),
	}
}

// Counts are what a gate has turned away since it was made.
type Counts struct {
	Dropped uint64 // requests without an answer: a foreign reply subject, a subject that names no device
	Busy    uint64
}

// Counts returns the counts so far.
func (g *Gate) Counts() Counts { return Counts{g.dropped.Load(), g.busy.Load()} }

// patience bounds what one request may take. Log has shorter limits of its own.
const patience = time.Minute

// Run answers devices until ctx ends, and then finishes the answers under way. It returns nil when ctx ended, and an
// error when the connection to the devices did.
func (g *Gate) Run(ctx context.Context) error {
	sub, err := g.cfg.Devices.QueueSubscribeSync("up.*.*", "gate")
	if err != nil {
		return fmt.Errorf("gate: hear devices: %w", err)
	}
	// The server must know of the subscription before anybody is told that the centre is ready.
	if err := g.cfg.Devices.FlushTimeout(10 * time.Second); err != nil {
		return fmt.Errorf("gate: hear devices: %w", err)
	}
	// The end of ctx does not cut short what has begun: a push would be left unknown.
	err = g.hear(ctx, context.WithoutCancel(ctx), sub)
	g.work.Wait()
	return err
}

// hear takes requests from sub until ctx ends. What they ask is done under work.
func (g *Gate) hear(ctx, work context.Context, sub *nats.Subscription) error {
	for {
		m, err := sub.NextMsgWithContext(ctx)
		switch {
		case err == nil:
			g.receive(work, m)
		case ctx.Err() != nil:
			return g.leave(work, sub)
		case errors.Is(err, nats.ErrSlowConsumer): // what did not fit is lost; those devices ask again
			g.complain("gate: requests came faster than they could be looked at", "error", err)
		default:
			return fmt.Errorf("gate: hear devices: %w", err)
		}
	}
}

// leave takes the requests that have come already: the server gives them to no other gate.
func (g *Gate) leave(work context.Context, sub *nats.Subscription) error {
	for n, _, err := sub.Pending(); err == nil && n > 0; n-- {
		m, err := sub.NextMsg(time.Millisecond)
		if err != nil {
			break
		}
		g.receive(work, m)
	}
	if err := sub.Unsubscribe(); err != nil && !errors.Is(err, nats.ErrConnectionClosed) {
		g.complain("gate: stop hearing devices", "error", err)
	}
	return nil
}

// receive looks at one request and hands it on, or says busy at once.
func (g *Gate) receive(ctx context.Context, m *nats.Msg) {
	device, verb, err := wire.ParseUp(m.Subject)
	if err != nil || !wire.OwnInbox(device, m.Reply) {
		if n := g.dropped.Add(1); n&(n-1) == 0 { // a flood must not fill the log: 1, 2, 4, 8, …
			g.cfg.Messages.Warn("gate: dropped a request that names a foreign reply subject", "subject", m.Subject, "reply", m.Reply, "dropped", n)
		}
		if err == nil { // the server has seen to it that the subject is its own
			g.bear(device, len(m.Data))
		}
		return
	}
	room := &g.asked
	if verb == wire.Push || verb == wire.Branch {
		room = &g.pushes
	}
	if ok, wait := room.take(device, time.Now()); !ok {
		g.busy.Add(1)
		if g.bear(device, len(m.Data)) {
			g.respond(m, wire.Answer{Status: wire.Busy, Wait: wire.Wait(wait), Reason: "the centre is busy"})
		}
		return
	}
	g.work.Add(1)
	go func() {
		defer g.work.Done()
		ctx, cancel := context.WithTimeout(ctx, patience)
		defer cancel()
		a := g.Answer(ctx, device, verb, m.Reply, m.Data)
		room.give(device, time.Now()) // before the answer: the device's next request may follow at once
		g.respond(m, a)
	}()
}

// mostImpatient is how many requests a device may send within a second while another of its own is being answered, or with
// a foreign reply subject. One that waits for its answers sends none.
const mostImpatient = 100

// impatientBytes of a request count as much as one more request: seven of the largest are as bad as a hundred of the least.
const impatientBytes = 32 << 10

// impatient counts such requests in the present second.
type impatient struct {
	second int64
	count  map[events.DeviceID]int
}

// bear tells whether such a request of a device is still answered. One that floods the gate gets no answers any more, and
// is kept out for a while. It belongs to who hears.
func (g *Gate) bear(device events.DeviceID, bytes int) bool {
	if now := time.Now().Unix(); now != g.impatient.second {
		g.impatient = impatient{now, map[events.DeviceID]int{}}
	}
	before := g.impatient.count[device]
	n := before + 1 + bytes/impatientBytes
	g.impatient.count[device] = n
	if before <= mostImpatient && n > mostImpatient {
		g.complain("gate: a device floods the centre with requests, and is kept out for a while", "device", device)
		if g.cfg.Rest != nil {
			g.work.Go(func() { g.cfg.Rest(device) })
		}
	}
	return n <= mostImpatient
}

func (g *Gate) respond(m *nats.Msg, a wire.Answer) {
	if err := m.Respond(a.Encode()); err != nil {
		g.complain("gate: answer", "subject", m.Subject, "error", err)
	}
}

// complain logs a trouble, at most one a second: when the broker is away, every request makes one.
func (g *Gate) complain(text string, a ...any) {
	if g.complained.Now() {
		g.cfg.Messages.Error(text, a...)
	}
}

func refused(at events.Seq, format string, a ...any) wire.Answer {
	return wire.Answer{Status: wire.Refused, At: at, Reason: wire.Reason(fmt.Sprintf(format, a...))}
}

// Answer does what a request asks that came with a subject for its answer, which is the device's own to name (Run sees to
// that).
func (g *Gate) Answer(ctx context.Context, device events.DeviceID, verb wire.Verb, reply string, data []byte) wire.Answer {
	known, ok := g.cfg.Find(device)
	switch {
	case !ok:
		return refused(0, "device %s is not enrolled here", device)
	case known.Revoked && verb != wire.Push:
		return refused(0, "device %s is revoked", device)
	}
	var a wire.Answer
	var err error
	switch {
	case known.Revoked:
		a, err = g.late(ctx, device, known, data)
	case verb == wire.Hello:
		a, err = g.hello(ctx, device, known, reply, data)
	case verb == wire.Push && known.Frozen:
		a, err = g.frozen(ctx, device, known, data)
	case verb == wire.Branch:
		a, err = g.branch(ctx, device, known, data)
	case verb == wire.Push:
		a, err = g.push(ctx, device, known, data)
	case verb == wire.Back:
		a, err = g.back(ctx, device, data)
	case verb == wire.Pull:
		a, err = g.pull(ctx, device, data)
	default:
		return refused(0, "there is no request %q; there are hello, push, back, pull, branch", verb)
	}
	if err != nil {
		g.complain("gate: "+string(verb), "device", device, "error", err)
		return wire.Answer{Status: wire.Busy, Wait: wire.Wait(2 * time.Second), Reason: "the centre could not do it now"}
	}
	return a
}

func (g *Gate) hello(ctx context.Context, device events.DeviceID, known Device, reply string, data []byte) (wire.Answer, error) {
	q, err := wire.DecodeHello(data)
	if err != nil {
		return refused(0, "%v", err), nil
	}
	// Memory may lag behind another gate, and would then take a device that is behind for one that goes on.
	c, err := g.reread(ctx, device, known)
	if err != nil {
		return wire.Answer{}, err
	}
	if err := q.Verify(c.key, device, reply); err != nil {
		return refused(0, "%v", err), nil
	}
	body := wire.HelloAnswer{Seq: c.seq, Link: c.link, Now: g.cfg.Now(), Gates: g.cfg.Gates(), Erased: g.erased(ctx, device, q.Seq), Want: g.want(device, min(c.seq, q.Seq))}
	if err := g.showLog(ctx, device, q.Seen, &body); err != nil {
		return wire.Answer{}, err
	}
	a := wire.Answer{Status: wire.OK, Body: body.Encode()}
	switch {
	case q.Seq < c.seq:
		a.Status, a.Reason = wire.Behind, fmt.Sprintf("the centre has %d records of this device, it has %d itself", c.seq, q.Seq)
	case q.Seq == c.seq && q.Link != c.link:
		a.Status, a.At, a.Reason = wire.Fork, c.seq, fmt.Sprintf("record %d of this device is another one at the centre", c.seq)
		if g.cfg.Forked != nil { // it is signed by the device's own key
			return a, g.froze(Fork{device, q.Seq, q.Link}, known)
		}
	case known.Frozen:
		a.Status, a.At, a.Reason = wire.Fork, c.seq, wordsFrozen
	}
	return a, nil
}

// erased lists what a device has to erase. One that was put back to an earlier state has lost what it confirmed since:
// so what it has itself decides, not what the centre has of it. That the list cannot be had now keeps no records
// waiting; the next hello brings it.
func (g *Gate) erased(ctx context.Context, device events.DeviceID, has events.Seq) []events.Digest {
	list, err := g.cfg.Reader.Erased(ctx, device, has)
	if err != nil {
		g.complain("gate: which evidence a device has to erase could not be looked up", "device", device, "error", err)
		return nil
	}
	return list
}

func (g *Gate) push(ctx context.Context, device events.DeviceID, known Device, data []byte) (wire.Answer, error) {
	q, err := wire.DecodePush(data)
	if err != nil {
		return refused(0, "%v", err), nil
	}
	return g.Commit(ctx, device, known, q)
}

func (g *Gate) back(ctx context.Context, device events.DeviceID, data []byte) (wire.Answer, error) {
	q, err := wire.DecodeBack(data)
	if err != nil {
		return refused(0, "%v", err), nil
	}
	own, err := g.cfg.Reader.Own(ctx, device, q.Range)
	if err != nil {
		return wire.Answer{}, err
	}
	return wire.Answer{Status: wire.OK, Body: own.Encode()}, nil
}

func (g *Gate) pull(ctx context.Context, device events.DeviceID, data []byte) (wire.Answer, error) {
	q, err := wire.DecodePull(data)
	if err != nil {
		return refused(0, "%v", err), nil
	}
	a, err := g.cfg.Reader.Pull(ctx, device, q)
	if err != nil {
		return wire.Answer{}, err
	}
	a.Gates = g.cfg.Gates()
	return wire.Answer{Status: wire.OK, Body: a.Encode()}, nil
}
