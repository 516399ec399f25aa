package desk_test

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"

	"ullage/events"
	"ullage/events/entry"
	"ullage/events/wire"
)

// device is one that has keys, and, once it is enrolled, a credential. It is made by hand, so that the centre is held
// against its contract and not against our own agent.
type device struct {
	c      *centre
	seal   ed25519.PrivateKey
	conn   nkeys.KeyPair
	answer wire.EnrolAnswer

	nc   *nats.Conn
	head events.Head
}

func (c *centre) newDevice() *device {
	c.t.Helper()
	_, seal, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		c.t.Fatal(err)
	}
	conn, err := nkeys.CreateUser()
	if err != nil {
		c.t.Fatal(err)
	}
	return &device{c: c, seal: seal, conn: conn}
}

func (c *centre) newCode(name string) wire.Code {
	c.t.Helper()
	status, _, body := c.do(c.request("POST", "/api/codes", `{"name":"`+name+`"}`))
	var answer struct{ Code string }
	if err := json.Unmarshal([]byte(body), &answer); err != nil || status != 200 {
		c.t.Fatalf("%d %s", status, body)
	}
	code, err := wire.ParseCode(answer.Code)
	if err != nil {
		c.t.Fatal(err)
	}
	if code.Address != c.at.Enrol {
		c.t.Errorf("the code leads to %s, and devices enrol at %s", code.Address, c.at.Enrol)
	}
	return code
}

// enrolBy sends a device's request for a code.
func (d *device) enrolBy(code wire.Code) (int, string) {
	d.c.t.Helper()
	public, err := d.conn.PublicKey()
	if err != nil {
		d.c.t.Fatal(err)
	}
	b, err := json.Marshal(wire.EnrolRequest{Secret: code.Secret[:], SealKey: d.seal.Public().(ed25519.PublicKey), ConnKey: public, Software: "by hand"})
	if err != nil {
		d.c.t.Fatal(err)
	}
	answer, err := d.c.http.Post(code.Address+wire.EnrolPath, "application/json", bytes.NewReader(b))
	if err != nil {
		d.c.t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		d.c.t.Fatal(err)
	}
	if answer.StatusCode == http.StatusOK {
		if err := json.Unmarshal(body, &d.answer); err != nil {
			d.c.t.Fatal(err)
		}
	}
	return answer.StatusCode, string(body)
}

func (c *centre) enrol(name string) *device {
	c.t.Helper()
	d := c.newDevice()
	if status, body := d.enrolBy(c.newCode(name)); status != http.StatusOK {
		c.t.Fatalf("%d %s", status, body)
	}
	d.connect()
	return d
}

func (d *device) connect() {
	d.c.t.Helper()
	var err error
	d.nc, err = nats.Connect(d.answer.NATS, nats.Secure(d.c.tls), nats.TLSHandshakeFirst(), nats.CustomInboxPrefix(wire.InboxPrefix(d.answer.Device)), nats.UserJWT(
		func() (string, error) { return d.answer.JWT, nil },
		func(nonce []byte) ([]byte, error) { return d.conn.Sign(nonce) }))
	if err != nil {
		d.c.t.Fatal(err)
	}
	d.c.t.Cleanup(d.nc.Close)
	d.head = events.Head{Device: d.answer.Device, Link: events.FirstLink(d.answer.Device, d.seal.Public().(ed25519.PublicKey))}
}

// Append lets a device be the journal of an entry.Writer that remembers the end of its chain only, and sends at once.
func (d *device) Append(build func(events.Head) (entry.Batch, error)) (events.Head, error) {
	b, err := build(d.head)
	if err != nil {
		return events.Head{}, err
	}
	var list []byte
	q := wire.PushRequest{First: d.head.Seq + 1, Link: d.head.Link}
	for _, raw := range b.Records {
		r, err := events.DecodeRecord(raw)
		if err != nil {
			return events.Head{}, err
		}
		list = wire.AppendPiece(list, raw)
		d.head.Seq, d.head.Clock, d.head.Link = r.Seq, r.Clock, events.Link(d.head.Link, events.HashRecord(raw))
	}
	q.Seals = []events.Seal{events.SignSeal(d.seal, d.answer.Device, d.head.Seq, d.head.Link, "")}
	q.Data = wire.Squeeze(list)
	m, err := d.nc.Request("up."+string(d.answer.Device)+".push", q.Encode(), 10*time.Second)
	if err != nil {
		return events.Head{}, err
	}
	a, err := wire.DecodeAnswer(m.Data)
	if err != nil || a.Status != wire.OK {
		d.c.t.Fatalf("push: %v %+v", err, a)
	}
	return d.head, nil
}

// nothing is a lookup and an evidence that hold nothing.
type nothing struct{}

func (nothing) ByID(events.RecordID) ([]byte, bool, error)      { return nil, false, nil }
func (nothing) ByKey(string) ([]byte, bool, error)              { return nil, false, nil }
func (nothing) Corrections(events.Target) ([][]byte, error)     { return nil, nil }
func (nothing) Keep([]byte) (d events.Digest, err error)        { return d, io.ErrShortBuffer }
func (nothing) Text(events.Digest) ([]byte, bool, error)        { return nil, false, nil }
func (nothing) Same(events.Digest, []byte) (same bool, _ error) { return }

// push records lines and sends them; it returns the id of the last record.
func (d *device) push(lines ...string) string {
	d.c.t.Helper()
	w := entry.Writer{
		Device: d.answer.Device, Now: func() events.Millis { return events.MillisOf(time.Now()) }, Zone: func(events.Millis) int { return 60 },
		Random: func(p []byte) error { _, err := rand.Read(p); return err }, Journal: d, Lookup: nothing{}, Evidence: nothing{},
	}
	answers, err := w.Record(strings.NewReader(strings.Join(lines, "\n")))
	if err != nil {
		d.c.t.Fatal(err)
	}
	return answers[len(answers)-1].ID.String()
}

// enrolments are the records that say that a device was enrolled.
func (c *centre) enrolments(name string) (all []listed) {
	c.t.Helper()
	for _, r := range c.audit("device", "office-1") {
		if r.Kind == "device.enrolled" && strings.Contains(string(r.Body), `"device":"`+name+`"`) {
			all = append(all, r)
		}
	}
	return all
}

// TestEnrolment goes from a code to a record of the device, over HTTP and NATS.
func TestEnrolment(t *testing.T) {
	c := newCentre(t)
	d := c.newDevice()
	code := c.newCode("tab-1")
	if got := c.enrolments("tab-1"); len(got) != 0 {
		t.Errorf("%d enrolments before one", len(got))
	}
	status, body := d.enrolBy(code)
	if status != 200 || d.answer.Device != "tab-1" || d.answer.NATS != c.at.NATS || len(d.answer.Gates) != 1 {
		t.Fatalf("%d %s", status, body)
	}
	key := base64.StdEncoding.EncodeToString(d.seal.Public().(ed25519.PublicKey))
	if got := c.enrolments("tab-1"); len(got) != 1 || !strings.Contains(string(got[0].Body), key) || got[0].Stage != "logged" {
		t.Errorf("enrolments: %+v", got)
	}
	// The answer was lost: the same question has the same answer, and is no second record.
	before := d.answer
	for range 3 {
		if status, body := d.enrolBy(code); status != 200 || d.answer.JWT != before.JWT {
			t.Errorf("again: %d %s", status, body)
		}
	}
	// Somebody else with the same code is not let in.
	if status, body := c.newDevice().enrolBy(code); status != http.StatusForbidden || !strings.Contains(body, "used") {
		t.Errorf("other keys: %d %s", status, body)
	}
	if got := c.enrolments("tab-1"); len(got) != 1 {
		t.Errorf("%d records of one enrolment", len(got))
	}
	d.connect()
	d.push(arrival, left)
	if got := c.audit("device", "tab-1"); len(got) != 2 || got[0].State != "stands" {
		t.Errorf("records of the device: %+v", got)
	}
	if log := c.log.String(); strings.Contains(log, code.String()) || strings.Contains(log, d.answer.JWT) {
		t.Errorf("a secret is in the log:\n%s", log)
	}
	// A name of full length has room in the key of its record.
	long := strings.Repeat("n", 64)
	c.enrol(long)
	if got := c.enrolments(long); len(got) != 1 {
		t.Errorf("%d enrolments of a long name", len(got))
	}
	// It is as good after a new start.
	d.nc.Close()
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	again := serve(t, c.dir)
	d.c = again
	if status, body := d.enrolBy(code); status != 200 || d.answer.JWT != before.JWT {
		t.Errorf("after a new start: %d %s", status, body)
	}
	if got := again.enrolments("tab-1"); len(got) != 1 {
		t.Errorf("%d records of one enrolment after a new start", len(got))
	}
}

// TestEnrolRequests sends what is no enrolment.
func TestEnrolRequests(t *testing.T) {
	c := newCentre(t)
	for _, x := range []struct {
		method, kind, body string
		status             int
	}{
		{"GET", "application/json", "", 405},
		{"POST", "text/plain", "{}", 415},
		{"POST", "application/json", "{}", 400},
		{"POST", "application/json", strings.Repeat(" ", wire.MaxEnrol+1), 413},
	} {
		r, err := http.NewRequestWithContext(context.Background(), x.method, c.at.Enrol+wire.EnrolPath, strings.NewReader(x.body))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", x.kind)
		if status, _, body := c.do(r); status != x.status {
			t.Errorf("%s %s: %d %s", x.method, x.kind, status, body)
		}
	}
	if status, _, _ := c.do(c.request("GET", "/enrol", "")); status != http.StatusForbidden { // no page of the office
		t.Errorf("/enrol at the office: %d", status)
	}
}
