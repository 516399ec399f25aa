package dossier

import (
	"bytes"
	"cmp"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"

	"ullage/events"
)

// Make writes a dossier, whose manifest is signed by the key of the log. Whether it holds is Verify's to say, which the
// maker should ask before it gives a dossier out.
//
// Lists may be in any order, but for the steps of a stretch. Make changes nothing that it was given.
func Make(d Dossier, log ed25519.PublicKey, by Sign) ([]byte, error) {
	records, err := readAll(d.Records)
	if err != nil {
		return nil, err
	}
	slices.SortFunc(records, func(a, b *read) int { return compareNames(a.name, b.name) })
	members := []member{{nameReadme, readme}}
	for _, x := range records {
		members = append(members, member{nameRecord(x.name), x.Raw})
	}
	var failed error
	put := func(name string, v any) {
		b, err := encode(v)
		failed = errors.Join(failed, err)
		members = append(members, member{name, b})
	}
	put(nameAbout, aboutOf(d.About, records))
	for _, c := range d.Chains {
		put(nameChain(c.Device), c)
	}
	put(nameReceipts, sorted(d.Receipts, func(a, b Receipt) int { return compareNames(Name{a.Device, a.Last}, Name{b.Device, b.Last}) }))
	d.Log.Leaves = sorted(d.Log.Leaves, func(a, b Leaf) int { return compareNames(a.Record, b.Record) })
	d.Log.Seen = sorted(d.Log.Seen, func(a, b Checkpoint) int { return compareNames(a.Record, b.Record) })
	put(nameLog, d.Log)
	byDevice := func(a, b Held) int { return cmp.Compare(a.Device, b.Device) }
	d.Keys.Gates, d.Keys.Offices = sorted(d.Keys.Gates, byDevice), sorted(d.Keys.Offices, byDevice)
	put(nameKeys, d.Keys)
	pieces, bytesOf := piecesOf(d.Evidence, records)
	put(nameEvidence, pieces)
	members = append(members, bytesOf...)
	text, err := contents(records)
	if err := errors.Join(failed, err); err != nil {
		return nil, fmt.Errorf("dossier: %w", err)
	}
	members = append(members, member{nameContents, text})
	slices.SortFunc(members, func(a, b member) int { return cmp.Compare(a.name, b.name) })
	note, err := manifest(members, log, by)
	if err != nil {
		return nil, fmt.Errorf("dossier: %w", err)
	}
	members = append(members, member{nameManifest, note})
	size := 0
	for _, m := range members {
		size += len(m.data) + 2*(localSize+maxName)
	}
	if size > MaxFile || len(members) > maxMembers || len(records) > maxRecords {
		return nil, fmt.Errorf("dossier: %w: %d records in %d members of about %d bytes; ask for a shorter time", ErrTooLarge, len(records), len(members), size)
	}
	return archive(members), nil
}

// ErrTooLarge is in the error of Make about a dossier over its limits.
var ErrTooLarge = errors.New("it is too much for one dossier")

// Digest is the digest by which a dossier is known: SHA-256 of the file.
func Digest(file []byte) events.Hash { return sha256.Sum256(file) }

func sorted[T any](list []T, compare func(a, b T) int) []T {
	list = append([]T{}, list...)
	slices.SortFunc(list, compare)
	return list
}

func aboutOf(a About, records []*read) about {
	to := about{Format: format, Made: a.Made.Format(0), Machine: a.Machine, Records: []shown{}}
	if a.Machine != "" {
		to.From, to.To = a.From.Format(0), a.To.Format(0)
	}
	if !a.Visit.IsZero() {
		to.Visit = a.Visit.String()
	}
	for _, x := range records {
		to.Records = append(to.Records, shown{x.name, x.Part, x.Held})
	}
	return to
}

func piecesOf(all []Evidence, records []*read) (pieces []piece, members []member) {
	_, in := digests(records)
	pieces = []piece{}
	for _, e := range sorted(all, func(a, b Evidence) int { return bytes.Compare(a.Digest[:], b.Digest[:]) }) {
		p := piece{Digest: e.Digest, State: e.State, In: in[e.Digest]}
		switch e.State {
		case Here:
			p.Salt = e.Salt[:]
			members = append(members, member{namePiece(e.Digest), e.Piece})
		case Erased:
			p.Erasure = &e.Erasure
		}
		pieces = append(pieces, p)
	}
	return pieces, members
}

// Pieces lists the pieces of evidence for which a dossier of these records must have an Evidence, in ascending order.
func Pieces(records []Record) ([]events.Digest, error) {
	all, err := readAll(records)
	if err != nil {
		return nil, err
	}
	order, _ := digests(all)
	return order, nil
}

func readAll(records []Record) ([]*read, error) {
	all := make([]*read, len(records))
	for i, r := range records {
		x, err := readRecord(r)
		if err != nil {
			return nil, fmt.Errorf("dossier: record %d of %d: %w", i+1, len(records), err)
		}
		all[i] = x
	}
	return all, nil
}
