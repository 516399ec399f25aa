package dossier

import (
	"bytes"
	"cmp"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"

	"ullage/events"
	"ullage/events/pack"
)

// Names of the members. Beside them stand a record in records/DEVICE/SEQ.record, a device's chain in
// chains/DEVICE.json, and a piece of evidence in evidence/DIGEST.piece.
const (
	nameReadme   = "README.txt"
	nameManifest = "manifest.txt"
	nameAbout    = "about.json"
	nameContents = "contents.json"
	nameReceipts = "receipts.json"
	nameLog      = "log.json"
	nameKeys     = "keys.json"
	nameEvidence = "evidence.json"
)

func nameRecord(n Name) string              { return "records/" + n.String() + ".record" }
func nameChain(d events.DeviceID) string    { return "chains/" + string(d) + ".json" }
func namePiece(digest events.Digest) string { return "evidence/" + digest.String() + ".piece" }

//go:embed README.txt
var readme []byte

const format = 1

// Limits of what stands in members.
const (
	maxJSON    = 64 << 20 // bytes of a member in JSON
	maxPiece   = 32 << 20 // bytes of a piece of evidence
	maxRecords = 16_000   // that are shown
)

// about is what about.json holds.
type about struct {
	Format  int              `json:"format"`
	Made    string           `json:"made"`
	Visit   string           `json:"visit,omitempty"`
	Machine events.MachineID `json:"machine,omitempty"`
	From    string           `json:"from,omitempty"`
	To      string           `json:"to,omitempty"`
	Records []shown          `json:"records"`
}

type shown struct {
	Record Name   `json:"record"`
	Part   Part   `json:"part"`
	Held   string `json:"held,omitempty"`
}

// piece is an element of evidence.json.
type piece struct {
	Digest  events.Digest `json:"digest"`
	State   State         `json:"state"`
	Salt    Hex           `json:"salt,omitempty"`
	Erasure *Name         `json:"erasure,omitempty"`
	In      []Name        `json:"in"` // the records that name it
}

// encode writes JSON in the one form that members have.
func encode(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	if err := e.Encode(v); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// decode is the inverse of encode.
func decode(name string, b []byte, v any) error {
	if len(b) > maxJSON {
		return refused("%s: %d bytes, at most %d are allowed", name, len(b), maxJSON)
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return refused("%s: %w", name, err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return refused("%s: something follows", name)
	}
	again, err := encode(v)
	if err != nil {
		return refused("%s: %w", name, err)
	}
	if !bytes.Equal(again, b) {
		return refused("%s is not written as a dossier is", name)
	}
	return nil
}

// read is a record that is shown, read.
type read struct {
	Record
	name Name
	hash events.Hash
	r    events.Record
	body events.Body // nil where the kind is not known, or the body has not its form
}

// readRecord reads the bytes of a record.
func readRecord(rec Record) (*read, error) {
	r, err := events.DecodeRecord(rec.Raw)
	if err != nil {
		return nil, err
	}
	x := &read{Record: rec, name: Name{r.Device, r.Seq}, hash: events.HashRecord(rec.Raw), r: r}
	if body, err := events.DecodeBody(r.Kind, r.V, r.Body); err == nil {
		x.body = body
	}
	return x, nil
}

func (x *read) target() events.Target {
	return events.Target{Device: x.name.Device, Seq: x.name.Seq, Hash: x.hash}
}

func compareNames(a, b Name) int {
	return cmp.Or(cmp.Compare(a.Device, b.Device), cmp.Compare(a.Seq, b.Seq))
}

// digests lists, for each piece of evidence that the records name, who does, in ascending order. What the office tells
// of keys and erasures is not asked: it names pieces of others.
func digests(records []*read) (order []events.Digest, in map[events.Digest][]Name) {
	in = map[events.Digest][]Name{}
	byTarget := map[events.Target]*read{}
	for _, x := range records {
		byTarget[x.target()] = x
	}
	for _, x := range records {
		if x.Part != Subject && x.Part != Related {
			continue
		}
		found := events.EvidenceIn(x.r.Kind, x.r.V, x.r.Body)
		if b, ok := x.body.(*events.RecordAmended); ok && byTarget[b.Target] != nil {
			of := byTarget[b.Target].r
			found = append(found, events.EvidenceAmended(&x.r, of.Kind, of.V)...)
		}
		for _, d := range found {
			if !slices.Contains(in[d], x.name) {
				in[d] = append(in[d], x.name)
			}
		}
	}
	for d := range in {
		order = append(order, d)
	}
	slices.SortFunc(order, func(a, b events.Digest) int { return bytes.Compare(a[:], b[:]) })
	return order, in
}

// contents is contents.json: the records as people and other programs can read them. It says nothing that their bytes
// do not say.
func contents(records []*read) ([]byte, error) {
	type line struct {
		Record  Name             `json:"record"`
		Hash    events.Hash      `json:"hash"`
		ID      string           `json:"id"`
		Kind    events.Kind      `json:"kind"`
		V       int              `json:"v"`
		Done    string           `json:"done"`
		Clock   string           `json:"clock"`
		Site    events.SiteID    `json:"site,omitempty"`
		Machine events.MachineID `json:"machine,omitempty"`
		Visit   string           `json:"visit,omitempty"`
		By      events.StaffCode `json:"by,omitempty"`
		Key     string           `json:"key,omitempty"`
		Body    json.RawMessage  `json:"body"`
	}
	lines := []line{}
	for _, x := range records {
		r := &x.r
		in := pack.NewReader(r.Body)
		body, err := appendJSON(nil, in)
		if err == nil {
			err = in.Done()
		}
		if err != nil {
			return nil, fmt.Errorf("record %s: %w", x.name, err)
		}
		l := line{
			Record: x.name, Hash: x.hash, ID: r.ID.String(), Kind: r.Kind, V: r.V, Done: r.Done.Format(r.Zone), Clock: r.Clock.At().Format(0),
			Site: r.Site, Machine: r.Machine, By: r.By, Key: r.Key, Body: body,
		}
		if !r.Visit.IsZero() {
			l.Visit = r.Visit.String()
		}
		lines = append(lines, l)
	}
	return encode(map[string]any{"records": lines})
}

// appendJSON appends one value: what is binary as lower-case hexadecimal digits, a fraction in its shortest form.
func appendJSON(b []byte, in *pack.Reader) ([]byte, error) {
	value := func(v any) ([]byte, error) {
		if in.Err() != nil {
			return nil, in.Err()
		}
		text, err := json.Marshal(v)
		return append(b, text...), err
	}
	switch in.Next() {
	case pack.Bool:
		return value(in.Bool())
	case pack.Uint:
		return value(in.Uint())
	case pack.Int:
		return value(in.Int())
	case pack.Float:
		return value(in.Float())
	case pack.String:
		return value(in.String())
	case pack.Bin:
		return value(Hex(in.Bin()))
	case pack.Array:
		b = append(b, '[')
		for i, n := 0, in.Array(maxJSON); i < n && in.Err() == nil; i++ {
			if i > 0 {
				b = append(b, ',')
			}
			var err error
			if b, err = appendJSON(b, in); err != nil {
				return nil, err
			}
		}
		return append(b, ']'), in.Err()
	}
	b = append(b, '{')
	for i, n := 0, in.Map(maxJSON); i < n && in.Err() == nil; i++ {
		if i > 0 {
			b = append(b, ',')
		}
		key, err := json.Marshal(in.String())
		if err != nil {
			return nil, err
		}
		if b, err = appendJSON(append(append(b, key...), ':'), in); err != nil {
			return nil, err
		}
	}
	return append(b, '}'), in.Err()
}
