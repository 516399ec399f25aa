package agent_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"ullage/agent"
	"ullage/events"
	"ullage/events/wire"
)

// centre is a centre as far as a device sees it: a broker, enrolment, and a gate that keeps what it is sent in memory
// and holds it to the rules of the wire. A test can make it fail at any request.
type centre struct {
	t     testing.TB
	nats  *server.Server
	conn  *nats.Conn
	http  *httptest.Server
	gate  events.DeviceID
	key   ed25519.PrivateKey
	code  wire.Code
	clock func() events.Millis
	ca    *authority

	mu      sync.Mutex
	shown   tls.Certificate // that both servers show
	devices map[events.DeviceID]*copied
	pulls   []wire.Pulled   // what everybody gets
	orders  []events.Digest // of evidence to erase
	asked   int             // requests so far
	fault   func(n int, verb wire.Verb) fault
	back    func(*wire.BackAnswer) // changes what is given back; nil: nothing does
	verbs   []wire.Verb            // of the requests so far
	enrols  int
	lose    int // enrolment answers that are lost from now on
	problem string
	log     *centreLog // nil: it has none
}

// copied is what the centre has of a device.
type copied struct {
	first   ed25519.PublicKey // of its enrolment
	seal    ed25519.PublicKey // that seals now
	conn    string
	link    events.Hash
	records [][]byte
	seals   []events.Seal
	seen    []string // what the seals say that the device has seen
	pushes  int
	revoked bool
	branch  struct { // that was set aside last
		link    events.Hash
		records [][]byte
	}
}

// fault is what goes wrong with one request.
type fault string

const (
	fine     fault = ""
	lost     fault = "lost"     // nothing is done, nobody answers
	unsaid   fault = "unsaid"   // it is done, and the answer is lost
	isBusy   fault = "busy"     // nothing is done
	isFork   fault = "fork"     // nothing is done
	isRefuse fault = "refused"  // nothing is done
	cutAfter fault = "cut"      // it is done, and the connection breaks
	garbage  fault = "garbage"  // an answer that is none
	forged   fault = "forged"   // the receipt is not signed by the gate
	stranger fault = "stranger" // the receipt is by a gate that nobody knows
	mistaken fault = "mistaken" // the receipt is for another chain of as many records
)

const device = events.DeviceID("tab-1")

func newCentre(t testing.TB) *centre {
	t.Helper()
	c := &centre{t: t, ca: newAuthority(t, "the centre", time.Now()), devices: map[events.DeviceID]*copied{}}
	c.shown = c.ca.server("127.0.0.1")
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: -1, NoLog: true, NoSigs: true, TLSConfig: c.tls(), TLSHandshakeFirst: true, TLSTimeout: 10})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	if !s.ReadyForConnections(10 * time.Second) {
		t.Fatal("the broker does not start")
	}
	nc, err := nats.Connect("", nats.InProcessServer(s))
	if err != nil {
		t.Fatal(err)
	}
	seed := sha256.Sum256([]byte("gate"))
	c.nats, c.conn, c.gate, c.key = s, nc, "gate-1", ed25519.NewKeyFromSeed(seed[:])
	c.clock = func() events.Millis { return events.MillisOf(time.Now()) }
	c.http = httptest.NewUnstartedServer(http.HandlerFunc(c.enrol))
	c.http.Config.ErrorLog = log.New(io.Discard, "", 0)
	c.http.Listener = tls.NewListener(c.http.Listener, c.tls())
	c.http.Start()
	c.http.URL = strings.Replace(c.http.URL, "http", "https", 1)
	c.code = wire.Code{Secret: [16]byte{1, 2, 3}, Pin: c.ca.pin(), Address: c.http.URL}
	if _, err := nc.Subscribe("up.*.*", c.receive); err != nil {
		t.Fatal(err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.close)
	return c
}

// tls is how both servers speak.
func (c *centre) tls() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS13, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
		c.mu.Lock()
		defer c.mu.Unlock()
		shown := c.shown
		return &shown, nil
	}}
}

// show makes both servers show another certificate from now on.
func (c *centre) show(by tls.Certificate) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.shown = by
}

func (c *centre) close() {
	c.conn.Close()
	c.http.Close()
	c.nats.Shutdown()
	c.nats.WaitForShutdown()
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.problem != "" {
		c.t.Errorf("the centre saw: %s", c.problem)
	}
}

// enrol answers the same keys with the same answer.
func (c *centre) enrol(w http.ResponseWriter, r *http.Request) {
	if r.URL.Path == wire.HeirPath {
		c.heir(w, r)
		return
	}
	var q wire.EnrolRequest
	if err := json.NewDecoder(r.Body).Decode(&q); err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.enrols++
	known := c.devices[device]
	if r.URL.Path != wire.EnrolPath || string(q.Secret) != string(c.code.Secret[:]) || known != nil && (known.conn != q.ConnKey || !known.first.Equal(ed25519.PublicKey(q.SealKey))) {
		w.WriteHeader(http.StatusForbidden)
		json.NewEncoder(w).Encode(wire.EnrolRefusal{Error: "the code was used or is not known"})
		return
	}
	if known == nil {
		c.devices[device] = &copied{first: q.SealKey, seal: q.SealKey, conn: q.ConnKey, link: events.FirstLink(device, q.SealKey)}
	}
	if c.lose > 0 {
		c.lose--
		panic(http.ErrAbortHandler)
	}
	json.NewEncoder(w).Encode(wire.EnrolAnswer{
		Device: device, NATS: c.nats.ClientURL(), JWT: "a.b.c",
		Gates: []wire.EnrolGate{{Gate: c.gate, Key: c.key.Public().(ed25519.PublicKey)}},
		Log:   c.log.public(),
	})
}

// heir makes everybody wait who asks by a parent's key.
func (c *centre) heir(w http.ResponseWriter, r *http.Request) {
	var q wire.HeirRequest
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := json.NewDecoder(r.Body).Decode(&q); err != nil || q.Verify(c.devices[q.Parent].first) != nil {
		c.bad("an heir asks by another key than its parent's: %v", err)
	}
	w.WriteHeader(http.StatusAccepted)
	json.NewEncoder(w).Encode(wire.EnrolRefusal{Error: "wait"})
}

func (c *centre) receive(m *nats.Msg) {
	d, verb, err := wire.ParseUp(m.Subject)
	if err != nil || !wire.OwnInbox(d, m.Reply) {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.asked++
	c.verbs = append(c.verbs, verb)
	what := fine
	if c.fault != nil {
		what = c.fault(c.asked, verb)
	}
	switch what {
	case lost:
		return
	case isBusy:
		m.Respond(wire.Answer{Status: wire.Busy, Wait: 5, Reason: "many"}.Encode())
		return
	case isFork:
		m.Respond(wire.Answer{Status: wire.Fork, Reason: "another branch"}.Encode())
		return
	case isRefuse:
		m.Respond(wire.Answer{Status: wire.Refused, At: 2, Reason: "it smells"}.Encode())
		return
	case garbage:
		m.Respond([]byte("what?"))
		return
	}
	a := c.answer(d, verb, m, what)
	switch what {
	case unsaid:
		return
	case cutAfter:
		for _, info := range c.connections() {
			c.nats.DisconnectClientByID(info)
		}
		return
	}
	m.Respond(a.Encode())
}

// connections are those of devices.
func (c *centre) connections() []uint64 {
	z, err := c.nats.Connz(&server.ConnzOptions{})
	if err != nil {
		return nil
	}
	var ids []uint64
	for _, info := range z.Conns {
		if info.Name == string(device) {
			ids = append(ids, info.Cid)
		}
	}
	return ids
}

func (c *centre) answer(d events.DeviceID, verb wire.Verb, m *nats.Msg, what fault) wire.Answer {
	k := c.devices[d]
	if k == nil || k.revoked {
		return wire.Answer{Status: wire.Refused, Reason: fmt.Sprintf("device %s is revoked", d)}
	}
	gates := []wire.GateKey{{Gate: c.gate, Key: c.key.Public().(ed25519.PublicKey)}}
	switch verb {
	case wire.Hello:
		q, err := wire.DecodeHello(m.Data)
		if err == nil {
			err = q.Verify(k.seal, d, m.Reply)
		}
		if errors.Is(err, wire.ErrHello) { // it may be by another of its keys
			return wire.Answer{Status: wire.Refused, Reason: err.Error()}
		}
		if err != nil {
			return c.bad("hello: %v", err)
		}
		body := wire.HelloAnswer{Seq: k.seq(), Link: k.link, Now: c.clock(), Gates: gates}
		body.Erased = k.unconfirmed(c.orders, q.Seq)
		c.log.greet(q, &body)
		a := wire.Answer{Status: wire.OK, Body: body.Encode()}
		switch {
		case q.Seq < k.seq():
			a.Status = wire.Behind
		case q.Seq == k.seq() && q.Link != k.link:
			a.Status = wire.Fork
		}
		return a
	case wire.Push:
		q, err := wire.DecodePush(m.Data)
		if err != nil {
			return c.bad("push: %v", err)
		}
		if q.First != k.seq()+1 {
			return wire.Answer{Status: wire.Elsewhere, Body: c.receipt(d, k, what)}
		}
		if q.Link != k.link {
			return wire.Answer{Status: wire.Fork}
		}
		if err := k.store(d, q); err != nil {
			return c.bad("push of %d: %v", q.First, err)
		}
		c.log.add(k.records[q.First-1:])
		return wire.Answer{Status: wire.OK, Body: c.receipt(d, k, what)}
	case wire.Branch:
		q, err := wire.DecodePush(m.Data)
		if err == nil {
			err = k.setAside(d, q)
		}
		if err != nil {
			return c.bad("branch: %v", err)
		}
		return wire.Answer{Status: wire.OK}
	case wire.Back:
		q, err := wire.DecodeBack(m.Data)
		if err != nil || q.Range.From < 1 || q.Range.To > k.seq() || q.Range.To < q.Range.From {
			return c.bad("back: %v %v", q, err)
		}
		to := min(q.Range.To, q.Range.From+2) // three at a time
		b := wire.BackAnswer{First: q.Range.From, Records: k.records[q.Range.From-1 : to]}
		for _, seal := range k.seals {
			if seal.Seq >= q.Range.From && seal.Seq <= to {
				b.Seals = append(b.Seals, seal)
			}
		}
		if c.back != nil {
			c.back(&b)
		}
		return wire.Answer{Status: wire.OK, Body: b.Encode()}
	case wire.Pull:
		q, err := wire.DecodePull(m.Data)
		if err != nil {
			return c.bad("pull: %v", err)
		}
		a := wire.PullAnswer{Gates: gates, Place: q.Place}
		if from := int(q.Place.Seq); from < len(c.pulls) { // two at a time
			to := min(from+2, len(c.pulls))
			a.Records, a.Place, a.More = c.pulls[from:to], wire.Place{Seq: uint64(to), Created: 1}, to < len(c.pulls)
		}
		return wire.Answer{Status: wire.OK, Body: a.Encode()}
	}
	return c.bad("no verb %q", verb)
}

// bad notes what no device should do.
func (c *centre) bad(format string, a ...any) wire.Answer {
	c.problem = fmt.Sprintf(format, a...)
	return wire.Answer{Status: wire.Refused, Reason: c.problem}
}

func (c *centre) receipt(d events.DeviceID, k *copied, what fault) []byte {
	a := wire.PushAnswer{Seq: k.seq(), Link: k.link}
	if k.seq() > 0 {
		r := wire.Receipt{Device: d, First: 1, Last: k.seq(), Link: k.link, Received: c.clock(), Place: wire.Place{Seq: uint64(k.pushes), Created: 1}, Checkpoint: c.log.receipted()}
		gate := c.gate
		if what == stranger {
			gate = "gate-9"
		}
		if what == mistaken {
			r.Link[0]++
		}
		r.Sign(gate, c.key)
		if what == forged {
			r.Signature[0]++
		}
		a.Receipt = r.Encode()
	}
	return a.Encode()
}

func (k *copied) seq() events.Seq { return events.Seq(len(k.records)) }

// unconfirmed are the orders that the device has not confirmed in its records up to a number.
func (k *copied) unconfirmed(orders []events.Digest, upto events.Seq) (left []events.Digest) {
	confirmed := map[events.Digest]bool{}
	for _, raw := range k.records[:min(int(upto), len(k.records))] {
		if r, err := events.DecodeRecord(raw); err == nil && r.Kind == "erasure.done" {
			for _, d := range events.EvidenceIn(r.Kind, r.V, r.Body) {
				confirmed[d] = true
			}
		}
	}
	for _, d := range orders {
		if !confirmed[d] {
			left = append(left, d)
		}
	}
	return left
}

// store takes a push as a gate does.
func (k *copied) store(d events.DeviceID, q wire.PushRequest) error {
	list, err := wire.Expand(q.Data, wire.MaxPlain)
	if err != nil {
		return err
	}
	records, err := wire.Pieces(list, wire.MaxRecords, events.MaxRecord)
	if err != nil {
		return err
	}
	link, seals, seal := q.Link, q.Seals, k.seal
	for i, raw := range records {
		r, err := events.DecodeRecord(raw)
		if err != nil || r.Device != d || r.Seq != q.First+events.Seq(i) {
			return fmt.Errorf("record %d: %v", i, err)
		}
		link = events.Link(link, events.HashRecord(raw))
		if key, renews := events.RenewedKey(&r); renews {
			if i != len(records)-1 {
				return fmt.Errorf("a renewal is record %d of %d", i+1, len(records))
			}
			seal = key
		}
		for len(seals) > 0 && seals[0].Seq == r.Seq {
			if err := events.VerifySeal(k.seal, d, link, seals[0]); err != nil {
				return err
			}
			k.seen, k.seals = append(k.seen, seals[0].Seen), append(k.seals, seals[0])
			seals = seals[1:]
		}
	}
	if len(seals) > 0 || len(q.Seals) == 0 || q.Seals[len(q.Seals)-1].Seq != q.First+events.Seq(len(records))-1 {
		return fmt.Errorf("seals out of place")
	}
	k.records, k.link, k.seal = append(k.records, records...), link, seal
	k.pushes++
	return nil
}

// setAside takes a stretch of a branch, of which the first goes on from the records here, and each other from the one
// before; or the end of what is here already.
func (k *copied) setAside(d events.DeviceID, q wire.PushRequest) error {
	if n := len(k.branch.records); n > 0 && bytes.Equal(wire.Squeeze(wire.AppendPiece(nil, k.branch.records[n-1])), q.Data) {
		return nil
	}
	link := events.FirstLink(d, k.first)
	for _, raw := range k.records[:min(int(q.First)-1, len(k.records))] {
		link = events.Link(link, events.HashRecord(raw))
	}
	if q.Link != link && q.Link != k.branch.link {
		return fmt.Errorf("it goes on from nothing that is here")
	}
	next := copied{seal: k.seal, records: make([][]byte, q.First-1)}
	if err := next.store(d, q); err != nil {
		return err
	}
	if q.Link == link {
		k.branch.records = nil
	}
	k.branch.link, k.branch.records = next.link, append(k.branch.records, next.records[q.First-1:]...)
	return nil
}

// with calls f with what the centre has of the device.
func (c *centre) with(f func(k *copied)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	f(c.devices[device])
}

// failing sets what goes wrong from the next request on, which is number 1.
func (c *centre) failing(f func(n int, verb wire.Verb) fault) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.asked, c.verbs, c.fault = 0, nil, f
}

// config is that of a device which a test need not wait for.
func config() agent.Config {
	return agent.Config{Answer: 150 * time.Millisecond, Patience: 10 * time.Second, Holder: 200 * time.Millisecond}
}
