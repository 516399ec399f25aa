package agent

import (
	"context"
	"crypto/ed25519"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/wire"
)

// ErrEnrolled is returned where a device lives in the folder already.
var ErrEnrolled = errors.New("a device is enrolled here already")

// Enrol makes a device of a folder. centre is the address of enrolment, and the code's where it is empty; either way only
// the server is spoken to that shows the key which the code names. One that does not is a *Stop.
//
// Whatever happens on the way, the same call with the same code can be made again: the keys are on the disk before they
// are shown to anybody, and used again; the centre answers the same keys with the same answer; and device.json, which
// makes a folder enrolled, is written last. What a new device fetches first is fetched by its first Sync.
//
// The error wraps ErrEnrolled where a device lives there already.
func Enrol(ctx context.Context, dir, centre, code string, cfg Config) (events.DeviceID, error) {
	cfg = cfg.withDefaults()
	h := home(dir)
	if id, err := h.read(); !errors.Is(err, ErrNotEnrolled) {
		if err != nil {
			return "", err
		}
		return "", fmt.Errorf("%w: it is %s, in %s; another device needs another folder", ErrEnrolled, id.Device, dir)
	}
	c, err := wire.ParseCode(code)
	if err != nil {
		return "", err
	}
	if centre == "" {
		centre = c.Address
	}
	address, err := enrolURL(centre)
	if err != nil {
		return "", err
	}
	if err := system.MkdirAll(dir); err != nil {
		return "", err
	}
	k, release, err := h.makeKeys(cfg.Random)
	if err != nil {
		return "", err
	}
	defer release()
	public, err := k.connPublic()
	if err != nil {
		return "", err
	}
	known := pins{c.Pin}
	answer, err := askCentre(ctx, cfg, address, known.tls(address.Hostname(), func(fresh pins) { known = known.with(fresh) }),
		wire.EnrolRequest{Secret: c.Secret[:], SealKey: k.sealPublic(), ConnKey: public, Software: cfg.Software})
	if err != nil {
		return "", err
	}
	return answer.Device, h.settle(cfg, k, known, answer, centre)
}

// settle writes what the centre answered.
func (h home) settle(cfg Config, k keys, known pins, answer *wire.EnrolAnswer, centre string) error {
	if err := h.writePins(known); err != nil {
		return err
	}
	gates, _, err := gateKeys{}.learn(namedGates(answer.Gates))
	if err != nil {
		return err
	}
	if err := h.writeGates(gates); err != nil {
		return err
	}
	if err := writeJSON(h.log(), guarded{Key: answer.Log}); err != nil {
		return err
	}
	if err := h.makeJournal(cfg, k, answer.Device); err != nil {
		return err
	}
	return writeJSON(h.device(), identity{identityFormat, answer.Device, answer.NATS, answer.JWT, k.sealPublic(), centre, ""})
}

// makeJournal makes the device's journal, or finds the one that a try which was cut short has made.
func (h home) makeJournal(c Config, k keys, device events.DeviceID) error {
	cfg := journal.Config{Dir: h.journal(), FS: c.Disk}
	err := journal.Create(cfg, device, k.sealPublic())
	if !errors.Is(err, journal.ErrExists) {
		return err
	}
	r, err := journal.OpenRead(cfg)
	if err != nil {
		return err
	}
	defer r.Close()
	if head := r.Head(); head.Device != device || !k.sealPublic().Equal(ed25519.PublicKey(r.PublicKey())) {
		return fmt.Errorf("%s is the journal of %s; enrol %s in another folder", h.journal(), head.Device, device)
	}
	return nil
}

func namedGates(gates []wire.EnrolGate) []wire.GateKey {
	var named []wire.GateKey
	for _, g := range gates {
		named = append(named, wire.GateKey{Gate: g.Gate, Key: g.Key})
	}
	return named
}

// enrolURL is where to post for an address of enrolment.
func enrolURL(centre string) (*url.URL, error) {
	u, err := url.Parse(centre)
	if err != nil || u.Host == "" {
		return nil, fmt.Errorf("%q is no address of a centre; one looks like https://centre.example:8443", centre)
	}
	if u.Scheme != "https" {
		return nil, fmt.Errorf("%s: a device enrols over https only, so that nobody on the way can read its code or answer in the centre's place; the address begins with https://", centre)
	}
	if u.Path == "" || u.Path == "/" {
		u.Path = wire.EnrolPath
	}
	return u, nil
}

// askCentre sends one request of enrolment.
func askCentre(ctx context.Context, cfg Config, address *url.URL, secure *tls.Config, q wire.EnrolRequest) (*wire.EnrolAnswer, error) {
	body, err := json.Marshal(q)
	if err != nil {
		return nil, err
	}
	status, b, err := post(ctx, cfg, address, secure, "application/json", body, wire.MaxEnrol+1)
	if stop := (*Stop)(nil); errors.As(err, &stop) {
		return nil, stop
	}
	if err != nil {
		return nil, fmt.Errorf("the centre cannot be reached (the same code can be tried again): %w", err)
	}
	if len(b) > wire.MaxEnrol {
		return nil, fmt.Errorf("the answer of %s is too long for a centre's", address)
	}
	if status != http.StatusOK {
		var no wire.EnrolRefusal
		if json.Unmarshal(b, &no) != nil || no.Error == "" {
			return nil, fmt.Errorf("%s answers with status %d, which no centre would", address, status)
		}
		return nil, fmt.Errorf("the centre refused: %s", no.Error)
	}
	var a wire.EnrolAnswer
	if err := json.Unmarshal(b, &a); err != nil {
		return nil, fmt.Errorf("the answer of %s is not that of a centre: %w", address, err)
	}
	return &a, checkAnswer(&a)
}

func checkAnswer(a *wire.EnrolAnswer) error {
	if err := events.CheckIdentifier(string(a.Device)); err != nil {
		return fmt.Errorf("the centre's answer: device: %w", err)
	}
	for _, server := range strings.Split(a.NATS, ",") {
		if u, err := url.Parse(server); err != nil || u.Host == "" {
			return fmt.Errorf("the centre's answer: %.300q is no address to connect to", server)
		}
	}
	if a.JWT == "" {
		return errors.New("the centre's answer has no credential")
	}
	if n := len(a.Log); n != 0 && n != ed25519.PublicKeySize {
		return fmt.Errorf("the centre's answer: the key of its log has %d bytes, not %d", n, ed25519.PublicKeySize)
	}
	for _, g := range a.Gates {
		if err := events.CheckIdentifier(string(g.Gate)); err != nil {
			return fmt.Errorf("the centre's answer: gate: %w", err)
		}
		if len(g.Key) != ed25519.PublicKeySize {
			return fmt.Errorf("the centre's answer: the key of gate %s has %d bytes, not %d", g.Gate, len(g.Key), ed25519.PublicKeySize)
		}
	}
	return nil
}
