package wire_test

import (
	"bufio"
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"regexp"
	"testing"

	"ullage/events"
	"ullage/events/entry"
	"ullage/testdata/demo"
)

// push is what one device sends at once.
type push struct {
	device  events.DeviceID
	key     ed25519.PublicKey
	first   events.Seq
	link    events.Hash // before the first
	records [][]byte
	seals   []events.Seal
}

// play runs the demo scenario in memory and returns its pushes, as its steps cut them; the office pushes after each of
// its files. Where worked is set, each line is recorded by itself, some seconds after it happened, as on a device's
// page; else each file is one call, as the scenario has it.
func play(t testing.TB, worked bool) []push {
	t.Helper()
	steps, err := demo.Files.ReadFile("steps.json")
	if err != nil {
		t.Fatal(err)
	}
	var all []struct{ Do, Device, File string }
	if err := json.Unmarshal(steps, &all); err != nil {
		t.Fatal(err)
	}
	if len(all) == 0 {
		t.Fatal("the scenario has no steps")
	}
	c := newCompany(t, worked)
	var pushes []push
	for _, s := range all {
		device := events.DeviceID(s.Device)
		switch s.Do {
		case "office":
			c.record("office-1", s.File)
			pushes = append(pushes, c.device("office-1").push())
		case "record", "kill":
			c.record(device, s.File)
		case "sync":
			pushes = append(pushes, c.device(device).push())
		}
	}
	for name, d := range c.devices {
		if len(d.waiting) > 0 {
			t.Fatalf("%s has %d records left", name, len(d.waiting))
		}
	}
	return pushes
}

// company is the scenario's devices, and what they know of each other's records: everything.
type company struct {
	t       testing.TB
	worked  bool
	devices map[events.DeviceID]*pad
	named   map[string]entry.Answer
	byID    map[events.RecordID][]byte
	random  *rand.ChaCha8
	now     events.Millis
}

// pad is one device: a journal in memory, and what of it waits.
type pad struct {
	c       *company
	writer  entry.Writer
	key     ed25519.PrivateKey
	head    events.Head
	waiting [][]byte
	seals   []events.Seal
	sent    events.Head
	byKey   map[string][]byte
	over    map[events.Target][][]byte
}

func newCompany(t testing.TB, worked bool) *company {
	return &company{
		t: t, worked: worked, devices: map[events.DeviceID]*pad{}, named: map[string]entry.Answer{},
		byID: map[events.RecordID][]byte{}, random: rand.NewChaCha8([32]byte{1}),
	}
}

func (c *company) device(id events.DeviceID) *pad {
	if d := c.devices[id]; d != nil {
		return d
	}
	seed := sha256.Sum256([]byte("seed of " + id))
	d := &pad{c: c, key: ed25519.NewKeyFromSeed(seed[:]), byKey: map[string][]byte{}, over: map[events.Target][][]byte{}}
	d.head = events.Head{Device: id, Link: events.FirstLink(id, d.key.Public().(ed25519.PublicKey))}
	d.sent = d.head
	d.writer = entry.Writer{
		Device: id, Office: id == "office-1",
		Now:     func() events.Millis { return c.now },
		Zone:    func(events.Millis) int { return 60 },
		Random:  func(b []byte) error { _, err := c.random.Read(b); return err },
		Journal: d, Lookup: d, Evidence: d,
		Seal: func(seq events.Seq, link events.Hash) events.Seal { return events.SignSeal(d.key, id, seq, link, "") },
	}
	c.devices[id] = d
	return d
}

var named = regexp.MustCompile(`("(?:visit|since)":)?"key:([^"]+)"`)

func (c *company) record(id events.DeviceID, file string) {
	c.t.Helper()
	b, err := demo.Files.ReadFile(file)
	if err != nil {
		c.t.Fatal(err)
	}
	c.lines(id, file, b)
}

// lines records entry lines.
func (c *company) lines(id events.DeviceID, file string, b []byte) {
	c.t.Helper()
	b = named.ReplaceAllFunc(b, func(m []byte) []byte {
		p := named.FindSubmatch(m)
		a, ok := c.named[string(p[2])]
		if !ok {
			c.t.Fatalf("%s: no line had the key %s", file, p[2])
		}
		if len(p[1]) > 0 {
			return fmt.Appendf(nil, `%s"%s"`, p[1], a.Visit)
		}
		return fmt.Appendf(nil, `"%s"`, a.ID)
	})
	d := c.device(id)
	session := d.writer.NewSession()
	var answers []entry.Answer
	var keys []string
	lines := bufio.NewScanner(bytes.NewReader(b))
	for n := 1; lines.Scan(); n++ {
		var line struct{ Key, Done string }
		if err := json.Unmarshal(lines.Bytes(), &line); err != nil {
			c.t.Fatal(err)
		}
		done, err := events.ParseWhen(line.Done)
		if err != nil {
			c.t.Fatal(err)
		}
		c.now = max(c.now, events.MillisOf(done)+events.Millis(2000+c.random.Uint64()%20000))
		keys = append(keys, line.Key)
		if c.worked {
			a, err := session.Line(n, lines.Bytes())
			if err != nil {
				c.t.Fatalf("%s: %v", file, err)
			}
			answers = append(answers, a)
		}
	}
	if !c.worked {
		var err error
		if answers, err = d.writer.Record(bytes.NewReader(b)); err != nil {
			c.t.Fatalf("%s: %v", file, err)
		}
	}
	for i, a := range answers {
		if keys[i] != "" {
			c.named[keys[i]] = a
		}
	}
}

func (d *pad) Append(build func(events.Head) (entry.Batch, error)) (events.Head, error) {
	b, err := build(d.head)
	if err != nil {
		return events.Head{}, err
	}
	for _, raw := range b.Records {
		r, err := events.DecodeRecord(raw)
		if err != nil {
			return events.Head{}, err
		}
		d.head.Seq, d.head.Clock, d.head.Link = r.Seq, r.Clock, events.Link(d.head.Link, events.HashRecord(raw))
		d.c.byID[r.ID] = raw
		if r.Key != "" {
			d.byKey[r.Key] = raw
		}
		if target, ok, err := events.CorrectionOf(&r); ok && err == nil {
			d.over[target] = append(d.over[target], raw)
		}
	}
	d.waiting = append(d.waiting, b.Records...)
	d.seals = append(d.seals, b.Seals...)
	return d.head, nil
}

func (d *pad) push() push {
	if n := len(d.seals); n == 0 || d.seals[n-1].Seq != d.head.Seq {
		d.seals = append(d.seals, events.SignSeal(d.key, d.head.Device, d.head.Seq, d.head.Link, ""))
	}
	p := push{d.head.Device, d.key.Public().(ed25519.PublicKey), d.sent.Seq + 1, d.sent.Link, d.waiting, d.seals}
	d.waiting, d.seals, d.sent = nil, nil, d.head
	return p
}

func (d *pad) ByID(id events.RecordID) ([]byte, bool, error) {
	raw, ok := d.c.byID[id]
	return raw, ok, nil
}

func (d *pad) ByKey(key string) ([]byte, bool, error) {
	raw, ok := d.byKey[key]
	return raw, ok, nil
}

func (d *pad) Corrections(of events.Target) ([][]byte, error) { return d.over[of], nil }

func (d *pad) Keep(plain []byte) (events.Digest, error) {
	var salt [32]byte
	d.c.random.Read(salt[:])
	return sha256.Sum256(append(salt[:], plain...)), nil
}

func (d *pad) Text(events.Digest) ([]byte, bool, error) { return nil, false, nil }
func (d *pad) Same(events.Digest, []byte) (bool, error) { return false, nil }
