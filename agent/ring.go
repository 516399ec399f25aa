package agent

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"ullage/agent/journal"
	"ullage/events"
)

// ring is the keys by which a device's chain is sealed, each from its place in the chain on: that of the enrolment from
// the first record on, and each other from behind the record that renews to it.
//
// Each key has a file of its own, and none is ever deleted; which seals where follows from the journal. So there is no
// step at which a crash could leave a chain that cannot be sealed: a key is on the disk before the record that names it
// is, and from the moment that the record is, it is in force. renewed.json says the same again, for when a part of the
// journal cannot be read.
type ring struct {
	home home

	mu      sync.RWMutex // guards what follows
	turns   []turn       // ascending; the first is that of the enrolment
	private map[string]ed25519.PrivateKey
}

// turn is one key's time: it seals every record behind After, up to After of the next.
type turn struct {
	After events.Seq `json:"after"`
	Key   []byte     `json:"key"` // public
}

// ErrKeyLost is in the errors about a sealing key that the device's chain names and its folder has not.
var ErrKeyLost = errors.New("the device's sealing key is not here")

const (
	renewedFile = "renewed.json"
	sealPrefix  = "seal-"
	sealSuffix  = ".pem"
)

// findable is a journal as the ring reads it.
type findable interface {
	ByKey(key string) (events.Seq, []byte, bool, error)
}

// openRing reads the keys of a folder; first is that of its enrolment. What cannot be found of its places is not missed
// here: have says whether a key is there.
func openRing(h home, first ed25519.PublicKey, j findable) (*ring, error) {
	r := &ring{home: h, turns: []turn{{0, first}}, private: map[string]ed25519.PrivateKey{}}
	entries, err := os.ReadDir(h.keys())
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		name := e.Name()
		if name != sealFile && (!strings.HasPrefix(name, sealPrefix) || !strings.HasSuffix(name, sealSuffix)) {
			continue
		}
		key, err := readSealKey(filepath.Join(h.keys(), name))
		if err != nil {
			return nil, err
		}
		r.private[string(key.Public().(ed25519.PublicKey))] = key
	}
	var known []turn
	if err := readJSON(filepath.Join(h.keys(), renewedFile), &known); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	for _, t := range known {
		if t.After <= r.turns[len(r.turns)-1].After || len(t.Key) != ed25519.PublicKeySize {
			return nil, fmt.Errorf("%s: its keys are not in the order of the chain, or not of %d bytes", filepath.Join(h.keys(), renewedFile), ed25519.PublicKeySize)
		}
		r.turns = append(r.turns, t)
	}
	return r, r.follow(j)
}

// follow takes up the renewals that the journal has behind those that are known.
func (r *ring) follow(j findable) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	for {
		now := r.turns[len(r.turns)-1]
		seq, raw, ok, err := j.ByKey(renewalKey(now.Key))
		if err != nil && !errors.Is(err, journal.ErrGap) {
			return fmt.Errorf("look for a renewal of the sealing key: %w", err)
		}
		if err != nil || !ok {
			return nil
		}
		record, err := events.DecodeRecord(raw)
		if err != nil {
			return fmt.Errorf("record %d: %w", seq, err)
		}
		key, renews := events.RenewedKey(&record)
		if !renews || seq <= now.After {
			return nil
		}
		r.turns = append(r.turns, turn{seq, key})
	}
}

// agrees holds the renewals that are written down to the journal's own, as far as it can be read.
func (r *ring) agrees(record func(events.Seq) ([]byte, error)) error {
	r.mu.RLock()
	defer r.mu.RUnlock()
	for _, t := range r.turns[1:] {
		raw, err := record(t.After)
		if errors.Is(err, journal.ErrGap) {
			continue // told as damage
		}
		var named ed25519.PublicKey
		if err == nil {
			var one events.Record
			if one, err = events.DecodeRecord(raw); err == nil {
				named, _ = events.RenewedKey(&one)
			}
		}
		if err != nil {
			return fmt.Errorf("record %d should renew the sealing key: %w", t.After, err)
		}
		if !named.Equal(ed25519.PublicKey(t.Key)) {
			return fmt.Errorf("record %d does not renew the sealing key to the one that %s has behind it", t.After, renewedFile)
		}
	}
	return nil
}

// save writes down which keys seal where.
func (r *ring) save() error {
	r.mu.RLock()
	turns := slices.Clone(r.turns[1:])
	r.mu.RUnlock()
	return writeJSON(filepath.Join(r.home.keys(), renewedFile), turns)
}

// renewalKey is the sender's own key of the record that renews a sealing key: it is found by it.
func renewalKey(before []byte) string {
	h := sha256.Sum256(before)
	return "renews-" + hex.EncodeToString(h[:16])
}

// public is the key that seals record seq, and the last record that it seals; the greatest number where it still does.
func (r *ring) public(seq events.Seq) (key ed25519.PublicKey, last events.Seq) {
	r.mu.RLock()
	defer r.mu.RUnlock()
	last = math.MaxUint64
	for i := len(r.turns) - 1; i > 0; i-- {
		if r.turns[i].After < seq {
			return r.turns[i].Key, last
		}
		last = r.turns[i].After
	}
	return r.turns[0].Key, last
}

// at is the private half of the key that seals record seq. The error wraps ErrKeyLost.
func (r *ring) at(seq events.Seq) (ed25519.PrivateKey, error) {
	public, _ := r.public(seq)
	r.mu.RLock()
	defer r.mu.RUnlock()
	key, ok := r.private[string(public)]
	if !ok {
		return nil, fmt.Errorf("%w: record %d is sealed by the key %s, which has no file in %s", ErrKeyLost, seq, base64.StdEncoding.EncodeToString(public), r.home.keys())
	}
	return key, nil
}

// likely are the keys that are here: first that of record seq, then the later ones, then the earlier ones, newest first.
func (r *ring) likely(seq events.Seq) (keys []ed25519.PrivateKey) {
	r.mu.RLock()
	defer r.mu.RUnlock()
	n := len(r.turns) - 1
	for n > 0 && r.turns[n].After >= seq {
		n--
	}
	order := slices.Clone(r.turns[n:])
	for i := n - 1; i >= 0; i-- {
		order = append(order, r.turns[i])
	}
	for _, t := range order {
		if key, ok := r.private[string(t.Key)]; ok {
			keys = append(keys, key)
		}
	}
	return keys
}

// spare is a key that nothing is sealed by yet: one that a renewal which was cut short has left, or a new one, which is
// on the disk when spare returns.
func (r *ring) spare(random func([]byte) error) (ed25519.PublicKey, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	used := map[string]bool{}
	for _, t := range r.turns {
		used[string(t.Key)] = true
	}
	for public := range r.private {
		if !used[public] {
			return ed25519.PublicKey(public), nil
		}
	}
	key, err := newSealKey(random)
	if err != nil {
		return nil, err
	}
	public := key.Public().(ed25519.PublicKey)
	if err := writeSealKey(filepath.Join(r.home.keys(), sealPrefix+hex.EncodeToString(public[:8])+sealSuffix), key); err != nil {
		return nil, fmt.Errorf("keep a new sealing key: %w", err)
	}
	r.private[string(public)] = key
	return public, nil
}

// Renewal is a device's new sealing key.
type Renewal struct {
	Seq events.Seq        // of the record that renews to it, the last that the key before seals
	Key ed25519.PublicKey // that seals what comes behind
}

// Renew gives the device a new sealing key, from the next record on; why is told to the centre, and may be empty. After
// an error it can be repeated, and either has not begun or goes on with the same key.
func (d *Device) Renew(why string) (Renewal, error) {
	// Nothing is sealed between the record and the ring's knowing of it.
	d.turn.Lock()
	defer d.turn.Unlock()
	key, err := d.ring.spare(d.cfg.Random)
	if err != nil {
		return Renewal{}, err
	}
	before, _ := d.ring.public(math.MaxUint64)
	body := map[string]any{"device": d.id.Device, "keys": []map[string]any{{"use": "sealing", "key": []byte(key)}}}
	if why != "" {
		body["why"] = why
	}
	line, err := json.Marshal(map[string]any{"kind": events.KindRenewed, "key": renewalKey(before), "body": body})
	if err != nil {
		return Renewal{}, err
	}
	answers, err := d.renewer.Record(strings.NewReader(string(line)))
	if err != nil {
		return Renewal{}, explain(err)
	}
	if err := d.ring.follow(d.journal); err != nil {
		return Renewal{}, err
	}
	poke(d.loop.new)
	if now, _ := d.ring.public(math.MaxUint64); !now.Equal(key) {
		return Renewal{}, fmt.Errorf("record %d does not renew the key", answers[0].Seq)
	}
	return Renewal{answers[0].Seq, key}, d.ring.save()
}
