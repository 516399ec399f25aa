package dossier

import (
	"bytes"
	"crypto/ed25519"
	"slices"
	"strings"

	"ullage/events"
	"ullage/events/checkpoint"
)

// opened is a dossier whose form has been checked, and that has no part which it should not have.
type opened struct {
	about    About
	records  []*read // ascending
	byName   map[Name]*read
	chains   []Chain
	receipts []Receipt
	log      Log
	origin   string            // of the log
	logKey   ed25519.PublicKey // that signed the manifest
	keys     Keys
	evidence []Evidence
	named    map[events.Digest][]Name // who names which piece
	others   bool                     // README.txt is another text than ours
}

// open reads a dossier. Its errors wrap ErrRefused.
func open(file []byte) (*opened, error) {
	members, err := unarchive(file)
	if err != nil {
		return nil, err
	}
	byName := map[string][]byte{}
	var listed []member
	for _, m := range members {
		byName[m.name] = m.data
		if m.name != nameManifest {
			listed = append(listed, m)
		}
	}
	o := &opened{byName: map[Name]*read{}, others: !bytes.Equal(byName[nameReadme], readme)}
	var a about
	var pieces []piece
	for _, part := range []struct {
		name string
		to   any
	}{{nameKeys, &o.keys}, {nameAbout, &a}, {nameReceipts, &o.receipts}, {nameLog, &o.log}, {nameEvidence, &pieces}} {
		if err := decode(part.name, byName[part.name], part.to); err != nil {
			return nil, err
		}
		if part.to == &o.keys {
			if o.origin, o.logKey, err = checkpoint.ParseKeyName(o.keys.Log); err != nil {
				return nil, refused("%s: %w", nameKeys, err)
			}
			if err := checkManifest(byName[nameManifest], listed, o.logKey); err != nil {
				return nil, err
			}
		}
	}
	expected := map[string]bool{
		nameReadme: true, nameManifest: true, nameAbout: true, nameContents: true, nameReceipts: true, nameLog: true, nameKeys: true, nameEvidence: true,
	}
	for name := range expected {
		if byName[name] == nil {
			return nil, refused("%s is missing", name)
		}
	}
	for _, m := range members {
		if !strings.HasPrefix(m.name, "chains/") {
			continue
		}
		var c Chain
		if err := decode(m.name, m.data, &c); err != nil {
			return nil, err
		}
		if nameChain(c.Device) != m.name || events.CheckIdentifier(string(c.Device)) != nil {
			return nil, refused("%s holds the chain of another device", m.name)
		}
		expected[m.name] = true
		o.chains = append(o.chains, c)
	}
	// By device, in which they are looked up; by member, a-1.json would stand before a.json.
	slices.SortFunc(o.chains, func(a, b Chain) int { return compareNames(Name{a.Device, 0}, Name{b.Device, 0}) })
	if err := o.readAbout(&a); err != nil {
		return nil, err
	}
	for _, s := range a.Records {
		if err := o.readRecord(s, byName[nameRecord(s.Record)]); err != nil {
			return nil, err
		}
		expected[nameRecord(s.Record)] = true
	}
	if err := o.readEvidence(pieces, byName); err != nil {
		return nil, err
	}
	for _, e := range o.evidence {
		if e.State == Here {
			expected[namePiece(e.Digest)] = true
		}
	}
	for _, m := range members {
		if !expected[m.name] {
			return nil, refused("%s is outside of what the file says it holds", m.name)
		}
	}
	text, err := contents(o.records)
	if err != nil {
		return nil, refused("%w", err)
	}
	if !bytes.Equal(text, byName[nameContents]) {
		return nil, refused("%s does not say what the records say", nameContents)
	}
	return o, o.check()
}

func (o *opened) readAbout(a *about) error {
	if a.Format != format {
		return refused("it is of format %d; this program reads format %d", a.Format, format)
	}
	var err error
	at := func(what, text string) events.Millis {
		t, e := events.ParseWhen(text)
		if m := events.MillisOf(t); e == nil && m.Format(0) == text {
			return m
		}
		err = refused("%s: %s: %.100q is no time as a dossier has them", nameAbout, what, text)
		return 0
	}
	o.about = About{Made: at("made", a.Made), Machine: a.Machine}
	if (a.Visit == "") == (a.Machine == "") {
		return refused("%s names a visit or a machine, and not both", nameAbout)
	}
	if a.Visit != "" {
		id, e := events.ParseRecordID(a.Visit)
		if e != nil || id.IsZero() || id.String() != a.Visit || a.From != "" || a.To != "" {
			return refused("%s: %.100q is no visit", nameAbout, a.Visit)
		}
		o.about.Visit = id
		return err
	}
	if e := events.CheckIdentifier(string(a.Machine)); e != nil {
		return refused("%s: machine: %w", nameAbout, e)
	}
	o.about.From, o.about.To = at("from", a.From), at("to", a.To)
	return err
}

func (o *opened) readRecord(s shown, raw []byte) error {
	if raw == nil {
		return refused("record %s is missing", s.Record)
	}
	if len(o.records) == maxRecords {
		return refused("more than %d records", maxRecords)
	}
	x, err := readRecord(Record{s.Part, s.Held, raw})
	if err != nil {
		return refused("record %s: %w", s.Record, err)
	}
	if x.name != s.Record {
		return refused("record %s says that it is %s", s.Record, x.name)
	}
	if n := len(o.records); n > 0 && compareNames(o.records[n-1].name, x.name) >= 0 {
		return refused("%s lists record %s twice, or out of order", nameAbout, x.name)
	}
	o.records, o.byName[x.name] = append(o.records, x), x
	return nil
}

// readEvidence reads evidence.json: exactly the pieces that shown records name stand in it, each with those.
func (o *opened) readEvidence(pieces []piece, members map[string][]byte) error {
	order, in := digests(o.records)
	o.named = in
	if len(order) != len(pieces) {
		return refused("%s lists %d pieces; the records name %d", nameEvidence, len(pieces), len(order))
	}
	for i, p := range pieces {
		if p.Digest != order[i] {
			return refused("%s: piece %d is not the one that the records name", nameEvidence, i+1)
		}
		if !equalNames(p.In, in[p.Digest]) {
			return refused("%s: other records name piece %s", nameEvidence, p.Digest)
		}
		e := Evidence{Digest: p.Digest, State: p.State}
		bare := len(p.Salt) == 0 && p.Erasure == nil
		ok := false
		switch p.State {
		case Here:
			e.Piece = members[namePiece(p.Digest)]
			ok = copy(e.Salt[:], p.Salt) == len(e.Salt) && len(p.Salt) == len(e.Salt) && p.Erasure == nil && e.Piece != nil && len(e.Piece) <= maxPiece
		case Away, NotYet:
			ok = bare
		case Erased:
			if ok = len(p.Salt) == 0 && p.Erasure != nil; ok {
				e.Erasure = *p.Erasure
			}
		}
		if !ok {
			return refused("%s: piece %s: what stands there does not make the state %.20q", nameEvidence, p.Digest, p.State)
		}
		o.evidence = append(o.evidence, e)
	}
	return nil
}

func equalNames(a, b []Name) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}
