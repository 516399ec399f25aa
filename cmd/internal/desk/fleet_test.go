package desk_test

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"ullage/agent"
	"ullage/events/wire"
	fleet "ullage/syncd/office"
)

// post asks the API to do something, and returns the answer of one that it did.
func (c *centre) postJSON(path, body string) string {
	c.t.Helper()
	status, _, answer := c.do(c.request("POST", path, body))
	if status != http.StatusOK {
		c.t.Fatalf("POST %s %s: %d %s", path, body, status, answer)
	}
	return answer
}

func (c *centre) revoke(device, why string) {
	c.t.Helper()
	c.postJSON("/api/revoke", fmt.Sprintf(`{"device":%q,"why":%q,"by":"O1"}`, device, why))
}

func (c *centre) admit(body string) (a fleet.Admitted) {
	c.t.Helper()
	if err := json.Unmarshal([]byte(c.postJSON("/api/admit", body)), &a); err != nil {
		c.t.Fatal(err)
	}
	return a
}

// fleet is a device as the office lists it.
func (c *centre) fleet(name string) fleet.FleetDevice {
	c.t.Helper()
	var list struct{ Devices []fleet.FleetDevice }
	if err := json.Unmarshal([]byte(c.get("/api/devices")), &list); err != nil {
		c.t.Fatal(err)
	}
	for _, d := range list.Devices {
		if string(d.Device) == name {
			return d
		}
	}
	c.t.Fatalf("%s is not listed", name)
	return fleet.FleetDevice{}
}

// held are the numbers of a device's records that do not count, and why.
func (c *centre) held(name string) map[int]string {
	c.t.Helper()
	var list struct{ Held []fleet.HeldRecord }
	if err := json.Unmarshal([]byte(c.get("/api/held", "device", name)), &list); err != nil {
		c.t.Fatal(err)
	}
	held := map[int]string{}
	for _, h := range list.Held {
		held[int(h.Seq)] = h.Why
	}
	return held
}

func noteOf(n int) string {
	return fmt.Sprintf(`{"kind":"note.written","done":"2026-03-02T09:%02d:00+01:00","site":"s-1","machine":"m-1","by":"T1","body":{"text":"note %d"}}`+"\n", n, n)
}

func keep(t *testing.T, d *agent.Device, lines ...string) (last int) {
	t.Helper()
	answers, err := d.Record(t.Context(), strings.NewReader(strings.Join(lines, "\n")))
	if err != nil {
		t.Fatal(err)
	}
	return int(answers[len(answers)-1].Seq)
}

// stopped syncs a device that is shut out, and returns what it then says.
func stopped(t *testing.T, d *agent.Device) string {
	t.Helper()
	var stop *agent.Stop
	if _, err := d.Sync(t.Context(), nil); !errors.As(err, &stop) {
		t.Fatalf("Sync: %v", err)
	}
	s, err := d.Status()
	if err != nil || s.Why == nil || *s.Why != stop.Text || len(s.Alarms) == 0 {
		t.Errorf("status: %+v, %v", s, err)
	}
	return stop.Text
}

// A device is enrolled, records, renews its key, records, is revoked, and comes late. The centre, the audit and the
// device's own check agree on what counts, by the key that is valid at each place.
func TestLifeOfAKey(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer)
	dir := c.enrolOurs("tab-1")
	d := c.reopen(dir)
	keep(t, d, noteOf(1), noteOf(2))
	synced(t, d)
	first := c.fleet("tab-1")
	if first.Enrolled == nil || first.Received == nil || first.Revoked != nil || first.Records < 2 {
		t.Errorf("%+v", first)
	}
	renewed, err := d.Renew("a day out of our hands")
	if err != nil {
		t.Fatal(err)
	}
	keep(t, d, noteOf(3))
	synced(t, d)
	if now := c.fleet("tab-1"); now.Key == first.Key || now.Records <= first.Records {
		t.Errorf("after the renewal: %+v, before: %+v", now, first)
	}
	received := int(c.fleet("tab-1").Records)
	c.revoke("tab-1", "stolen from the van")
	late := keep(t, d, noteOf(4), noteOf(5))
	foreign := keep(t, d, `{"kind":"record.withdrawn","by":"T1","body":{"target":"`+c.audit("device", "office-1", "machine", "m-1")[0].ID+`","why":"mine now"}}`)
	again, err := d.Renew("")
	if err != nil {
		t.Fatal(err)
	}
	last := keep(t, d, noteOf(6))
	if got := stopped(t, d); !strings.Contains(got, fmt.Sprintf("revoked; %d records handed over, the office decides", last-received)) {
		t.Errorf("the device says %q", got)
	}
	stopped(t, d) // handing over again changes nothing

	counted := func() (seqs []int) {
		for _, r := range c.audit("device", "tab-1") {
			if r.State != "held" {
				seqs = append(seqs, r.Seq)
			}
		}
		return seqs
	}
	if got := counted(); len(got) != received {
		t.Errorf("%v count of %d that were received", got, received)
	}
	var aside struct{ Aside []fleet.AsidePush }
	if err := json.Unmarshal([]byte(c.get("/api/aside")), &aside); err != nil {
		t.Fatal(err)
	}
	if n := len(aside.Aside); n != 2 || int(aside.Aside[0].From) != received+1 || aside.Aside[0].To != again.Seq || int(aside.Aside[1].To) != last ||
		aside.Aside[0].Admitted || !strings.Contains(aside.Aside[0].Why, "stolen from the van") {
		t.Fatalf("aside: %+v", aside.Aside)
	}

	// Up to the last of two notes; then all; then once more.
	a := c.admit(fmt.Sprintf(`{"device":"tab-1","to":%d,"why":"found, untouched","by":"O1"}`, late))
	if a.Admitted != late-received || len(a.Held) != 0 {
		t.Errorf("up to %d: %+v", late, a)
	}
	if got := counted(); len(got) != late {
		t.Errorf("%v count", got)
	}
	if held := c.held("tab-1"); len(held) != int(again.Seq)-late || !strings.Contains(held[foreign], "revoked device") {
		t.Errorf("held: %v", held)
	}
	a = c.admit(`{"device":"tab-1","why":"all of it","by":"O1"}`)
	if a.Before != late-received || a.Admitted != last-late-1 || len(a.Held) != 1 || int(a.Held[0].Seq) != foreign {
		t.Errorf("all: %+v", a)
	}
	if a = c.admit(`{"device":"tab-1","why":"once more","by":"O1"}`); a.Admitted != 0 {
		t.Errorf("again: %+v", a)
	}
	if held := c.held("tab-1"); len(held) != 1 || !strings.Contains(held[foreign], "waits for the office") {
		t.Errorf("held: %v", held)
	}
	if a = c.admit(fmt.Sprintf(`{"device":"tab-1","seq":%d,"why":"he was right"}`, foreign)); a.Admitted != 1 || len(c.held("tab-1")) != 0 {
		t.Errorf("one: %+v, %v", a, c.held("tab-1"))
	}
	if got := counted(); len(got) != last {
		t.Errorf("%v count of %d", got, last)
	}

	report, err := agent.Check(t.Context(), dir)
	if err != nil || !report.OK || int(report.Records) != last {
		t.Errorf("Check: %+v, %v", report, err)
	}
	if renewed.Seq >= again.Seq || int(c.fleet("tab-1").Records) != last {
		t.Errorf("%+v", c.fleet("tab-1"))
	}
	for path, body := range map[string]string{
		"/api/admit":  fmt.Sprintf(`{"device":"tab-1","seq":%d,"why":"x"}`, last+7),
		"/api/revoke": `{"device":"tab-9","why":"x"}`,
	} {
		if status, _, answer := c.do(c.request("POST", path, body)); status != http.StatusNotFound {
			t.Errorf("%s %s: %d %s", path, body, status, answer)
		}
	}
}

// Revoking cuts a connection that is open, for good, and over a restart. What was received stays.
func TestRevokeCuts(t *testing.T) {
	c := newCentre(t)
	d, other := c.enrol("tab-1"), c.enrol("tab-2")
	c.record(site, washer)
	d.push(noteOf(1))
	closed := make(chan struct{})
	var once sync.Once
	d.nc.SetDisconnectErrHandler(func(*nats.Conn, error) { once.Do(func() { close(closed) }) })
	begun := time.Now()
	c.revoke("tab-1", "stolen")
	select {
	case <-closed:
		t.Logf("cut after %v", time.Since(begun))
	case <-time.After(5 * time.Second): // what is promised
		t.Fatal("it is not cut within 5 seconds")
	}
	other.push(noteOf(2))
	shutOut(t, c, d)
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	again := serve(t, c.dir)
	shutOut(t, again, d)
	if f := again.fleet("tab-1"); f.Revoked == nil || f.Why != "stolen" || f.Records != 1 {
		t.Errorf("%+v", f)
	}
	if got := again.audit("device", "tab-1"); len(got) != 1 || got[0].State != "stands" {
		t.Errorf("what was received: %+v", got)
	}
	// Once more, with another reason: the first one stands, and nothing is written twice.
	again.revoke("tab-1", "stolen, really")
	if f := again.fleet("tab-1"); f.Why != "stolen" {
		t.Errorf("%+v", f)
	}
}

func shutOut(t *testing.T, c *centre, d *device) {
	t.Helper()
	nc, err := nats.Connect(c.at.NATS, nats.Secure(c.tls), nats.TLSHandshakeFirst(), nats.CustomInboxPrefix(wire.InboxPrefix(d.answer.Device)), nats.UserJWT(
		func() (string, error) { return d.answer.JWT, nil },
		func(nonce []byte) ([]byte, error) { return d.conn.Sign(nonce) }))
	if err == nil {
		nc.Close()
		t.Error("it connects")
	} else if !errors.Is(err, nats.ErrAuthorization) && !errors.Is(err, nats.ErrAuthRevoked) {
		t.Errorf("it does not connect, for another reason: %v", err)
	}
}

// A centre that ends between the steps of a revocation goes on with them, or lets them be repeated.
func TestRevokeCutShort(t *testing.T) {
	c := newCentre(t)
	d := c.enrol("tab-1")
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(c.dir, "keys", "devices", "tab-1.json")
	state := func(from, to string) {
		t.Helper()
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		changed := bytes.Replace(b, []byte(`"state": "`+from+`"`), []byte(`"state": "`+to+`"`), 1)
		if bytes.Equal(b, changed) {
			t.Fatalf("%s", b)
		}
		if err := os.WriteFile(file, changed, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	// It is cut off and not written down: the command can be given again.
	state("enrolled", "revoked")
	c = serve(t, c.dir)
	shutOut(t, c, d)
	if f := c.fleet("tab-1"); f.Revoked != nil {
		t.Errorf("%+v", f)
	}
	c.revoke("tab-1", "stolen")
	if f := c.fleet("tab-1"); f.Revoked == nil || f.Why != "stolen" {
		t.Errorf("%+v", f)
	}
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	// It is written down and not cut off: the next start does it.
	state("revoked", "enrolled")
	c = serve(t, c.dir)
	shutOut(t, c, d)
	if b, err := os.ReadFile(file); err != nil || !bytes.Contains(b, []byte(`"state": "revoked"`)) {
		t.Errorf("%s, %v", b, err)
	}
}

// Whoever asks at the door for revoked devices without being one learns nothing, and leaves nothing.
func TestAsideDoor(t *testing.T) {
	c := newCentre(t)
	c.enrol("tab-1")
	revoked := c.enrol("tab-2")
	c.revoke("tab-2", "lost")
	ask := func(method, kind string, body []byte) (int, string) {
		t.Helper()
		r, err := http.NewRequest(method, c.at.Enrol+wire.AsidePath, bytes.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", kind)
		status, _, answer := c.do(r)
		return status, answer
	}
	named := func(device string) []byte {
		q := wire.AsideRequest{Push: wire.PushRequest{First: 1}.Encode(), Signature: make([]byte, 64)}
		q.Device = revoked.answer.Device
		return bytes.Replace(q.Encode(), []byte("tab-2"), []byte(device), 1)
	}
	for name, try := range map[string]struct {
		method, kind string
		body         []byte
		want         int
	}{
		"no POST":          {"GET", wire.AsideType, nil, http.StatusMethodNotAllowed},
		"another type":     {"POST", "application/json", named("tab-2"), http.StatusUnsupportedMediaType},
		"nothing":          {"POST", wire.AsideType, nil, http.StatusBadRequest},
		"no request":       {"POST", wire.AsideType, []byte("push"), http.StatusBadRequest},
		"too much":         {"POST", wire.AsideType, make([]byte, wire.MaxAside+1), http.StatusBadRequest},
		"not signed":       {"POST", wire.AsideType, named("tab-2"), http.StatusForbidden},
		"of one who may":   {"POST", wire.AsideType, named("tab-1"), http.StatusForbidden},
		"of nobody":        {"POST", wire.AsideType, named("tab-9"), http.StatusForbidden},
		"nested very deep": {"POST", wire.AsideType, bytes.Repeat([]byte{0x91}, 100_000), http.StatusBadRequest},
	} {
		if status, answer := ask(try.method, try.kind, try.body); status != try.want || answer != wire.AsideNot {
			t.Errorf("%s: %d %q", name, status, answer)
		}
	}
	if got := c.get("/api/aside"); !strings.Contains(got, `"aside":[]`) {
		t.Errorf("aside: %s", got)
	}
}

// What the office has done by a record is not said by hand, nor taken back by a correction.
func TestDoneForGood(t *testing.T) {
	c := newCentre(t)
	d := c.enrol("tab-1")
	c.revoke("tab-1", "stolen")
	key := base64.StdEncoding.EncodeToString(d.seal.Public().(ed25519.PublicKey))
	var revoked, enrolled string
	for _, r := range c.audit("device", "office-1") {
		switch r.Kind {
		case "device.revoked":
			revoked = r.ID
		case "device.enrolled":
			enrolled = r.ID
		}
	}
	root := strings.Repeat("01", 32)
	for line, want := range map[string]string{
		`{"kind":"device.enrolled","body":{"device":"tab-1","keys":[{"use":"sealing","key":"` + key + `"}]}}`:       "ullage enrol",
		`{"kind":"epoch.started","body":{"old_origin":"o","old_size":1,"old_root":"` + root + `","common_size":0}}`: "the centre writes this itself",
		`{"kind":"record.withdrawn","body":{"target":"` + revoked + `","why":"by mistake"}}`:                        "done for good",
		`{"kind":"record.amended","body":{"target":"` + enrolled + `","by":"O2","why":"who"}}`:                      "done for good",
	} {
		if status, _, body := c.do(c.request("POST", "/api/records", line)); status != http.StatusUnprocessableEntity || !strings.Contains(body, want) {
			t.Errorf("%s: %d %s", line, status, body)
		}
	}
}
