package dossier

import (
	"crypto/ed25519"
	"slices"

	"ullage/events"
)

// keyDevice tells about the keys of which device a record speaks. That a renewal is let in which came after its key was
// revoked is one of them.
func (o *opened) keyDevice(x *read) (events.DeviceID, bool) {
	switch b := x.body.(type) {
	case *events.DeviceEnrolled:
		return b.Device, true
	case *events.DeviceRenewed:
		return b.Device, b.Device == x.name.Device
	case *events.DeviceRevoked:
		return b.Device, true
	case *events.RecordAdmitted:
		t := o.byName[Name{b.Target.Device, b.Target.Seq}]
		if t == nil || !o.offices()[x.name.Device] {
			return "", false
		}
		_, renews := events.RenewedKey(&t.r)
		return b.Target.Device, renews
	}
	return "", false
}

// sealing is the sealing key among keys, nil where there is none.
func sealing(keys []events.DeviceKey) ed25519.PublicKey {
	for _, k := range keys {
		if k.Use == "sealing" {
			return k.Key
		}
	}
	return nil
}

// span is a sealing key of a device and from where it seals.
type span struct {
	key   ed25519.PublicKey
	after events.Seq // the first record that it seals comes after
	by    Name       // the record that says so; zero for a key that stands on the word of the log
}

// keyring is what the records say of a device's keys.
type keyring struct {
	spans   []span  // ascending
	revoked []*read // by the office
	twice   bool    // it was let in more than once
}

func (o *opened) offices() map[events.DeviceID]bool {
	offices := map[events.DeviceID]bool{}
	for _, h := range o.keys.Offices {
		offices[h.Device] = true
	}
	return offices
}

// keyrings reads the keys of all devices. What is not the office's to say is passed over.
func (o *opened) keyrings() map[events.DeviceID]*keyring {
	rings := map[events.DeviceID]*keyring{}
	of := func(d events.DeviceID) *keyring {
		if rings[d] == nil {
			rings[d] = &keyring{}
		}
		return rings[d]
	}
	for _, h := range o.keys.Offices {
		of(h.Device).spans = []span{{key: ed25519.PublicKey(h.Key)}}
	}
	offices := o.offices()
	for _, x := range o.records {
		switch b := x.body.(type) {
		case *events.DeviceEnrolled:
			if key := sealing(b.Keys); offices[x.name.Device] && key != nil && !offices[b.Device] {
				ring := of(b.Device)
				ring.twice = ring.twice || len(ring.spans) > 0
				ring.spans = append(ring.spans, span{key, 0, x.name})
			}
		case *events.DeviceRevoked:
			if offices[x.name.Device] {
				of(b.Device).revoked = append(of(b.Device).revoked, x)
			}
		case *events.DeviceRenewed:
			if key, ok := events.RenewedKey(&x.r); ok {
				of(b.Device).spans = append(of(b.Device).spans, span{key, x.name.Seq, x.name})
			}
		}
	}
	for _, ring := range rings {
		slices.SortStableFunc(ring.spans, func(a, b span) int { return compareNames(Name{"", a.after}, Name{"", b.after}) })
	}
	return rings
}

// at is the key that seals at record seq, and which of the spans it is; nil where none is known.
func (k *keyring) at(seq events.Seq) ed25519.PublicKey {
	var key ed25519.PublicKey
	if k == nil {
		return nil
	}
	for _, s := range k.spans {
		if s.after < seq {
			key = s.key
		}
	}
	return key
}

// ended tells by which record the key that seals record seq was revoked before that record came into the log; nil where
// it was not.
func (k *keyring) ended(key ed25519.PublicKey, index uint64, indexOf func(Name) uint64) *read {
	if k == nil {
		return nil
	}
	for _, x := range k.revoked {
		named := x.body.(*events.DeviceRevoked).Keys
		all := len(named) == 0
		if index > indexOf(x.name) && (all || slices.ContainsFunc(named, func(n events.DeviceKey) bool { return key.Equal(ed25519.PublicKey(n.Key)) })) {
			return x
		}
	}
	return nil
}
