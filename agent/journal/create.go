package journal

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io/fs"

	"ullage/events"
)

// Create makes a new, empty journal of a device with this public key, in a directory that is made where there is none.
// Its error is ErrExists where there is a journal already, and ErrLocked while another process is at work on it. What a
// crash leaves half made is no journal: Create makes it anew.
func Create(cfg Config, device events.DeviceID, key ed25519.PublicKey) (err error) {
	if cfg, err = cfg.valid(); err != nil {
		return err
	}
	if err := events.CheckIdentifier(string(device)); err != nil {
		return fmt.Errorf("create a journal: %w", err)
	}
	if len(key) != ed25519.PublicKeySize {
		return fmt.Errorf("create a journal: a public key has %d bytes, not %d", ed25519.PublicKeySize, len(key))
	}
	d := cfg.dirFS()
	if err := cfg.FS.MkdirAll(cfg.Dir); err != nil {
		return fmt.Errorf("create a journal: %w", err)
	}
	lock, err := cfg.FS.Lock(d.path(lockName))
	if err != nil {
		return fmt.Errorf("create a journal: %w", err)
	}
	defer func() {
		if cerr := lock.Close(); err == nil {
			err = cerr
		}
	}()
	l, err := d.list()
	if err != nil {
		return err
	}
	exists, err := d.exists(l)
	if err != nil {
		return fmt.Errorf("create a journal: %w", err)
	}
	if exists {
		return fmt.Errorf("create a journal in %s: %w", cfg.Dir, ErrExists)
	}
	id := identity{device, key}
	if err := d.firstSegment(id); err != nil {
		return fmt.Errorf("create a journal: %w", err)
	}
	// The identity comes last: with it the journal is there.
	if err := d.writeWhole(identityName, encodeIdentity(id)); err != nil {
		return fmt.Errorf("create a journal: %w", err)
	}
	return nil
}

// firstSegment makes the segment of record 1, empty and durable.
func (d dirFS) firstSegment(id identity) error {
	w, err := d.newSegment(header{identity: id, base: id.start()})
	if err != nil {
		return err
	}
	if _, err := w.finish(0); err != nil {
		w.abandon()
		return err
	}
	if err := w.place(); err != nil {
		return err
	}
	return d.syncDir()
}

// exists tells whether there is a journal. One lone segment without a record and without an identity file is what a
// crash in Create leaves.
func (d dirFS) exists(l listing) (bool, error) {
	if l.identity || len(l.mending) > 0 || len(l.damaged) > 0 || len(l.segments) > 1 {
		return true, nil
	}
	if len(l.segments) == 0 {
		return false, nil
	}
	b, err := d.readHead(baseName(l.segments[0], extSegment), maxHeader+maxFrameLen)
	if err != nil {
		return false, err
	}
	_, n, err := parseHeader(b, l.segments[0])
	if err != nil {
		n = 0
	}
	return len(bytes.Trim(b[n:], "\x00")) > 0, nil
}

// whose finds out whose journal it is: from the identity file, or from the head of a segment where that
// cannot be read; lost tells which.
func (d dirFS) whose(l listing) (id identity, lost bool, err error) {
	b, err := d.readHead(identityName, headerHead+1024)
	switch {
	case err == nil:
		id, err = parseIdentity(b)
		if err == nil || errors.Is(err, ErrVersion) {
			return id, false, err
		}
	case !errors.Is(err, fs.ErrNotExist):
		return identity{}, false, err
	}
	for _, name := range l.files() {
		mark, _, _ := parseName(name)
		b, err := d.readHead(name, maxHeader)
		if err != nil {
			return identity{}, false, err
		}
		h, _, err := parseHeader(b, mark)
		if errors.Is(err, ErrVersion) {
			return identity{}, false, err
		}
		if err == nil {
			return h.identity, true, nil
		}
	}
	return identity{}, true, fmt.Errorf("%w: neither the identity file nor the head of any segment can be read", ErrDamaged)
}

// files are all files that hold records, or did.
func (l listing) files() []string {
	var names []string
	for _, mark := range l.segments {
		names = append(names, baseName(mark, extSegment))
	}
	return append(append(names, l.mending...), l.damaged...)
}
