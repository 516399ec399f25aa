package wire

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	"ullage/events"
	"ullage/events/pack"
)

// PushRequest brings records of a device, in the order of its chain.
type PushRequest struct {
	First events.Seq    // of the first record
	Link  events.Hash   // the link before it
	Seals []events.Seal // ascending; the last is over the last record
	Data  []byte        // the records, squeezed

	// Original is, where the centre has had these records before, a receipt whose range they lie in; else empty.
	Original []byte
}

// Encode writes q; its inverse is DecodePush.
func (q PushRequest) Encode() []byte {
	b := pack.AppendArray(make([]byte, 0, 256+len(q.Data)+len(q.Original)), 6)
	b = pack.AppendUint(b, Version)
	b = pack.AppendUint(b, uint64(q.First))
	b = appendHash(b, q.Link)
	b = appendSeals(b, q.Seals)
	b = pack.AppendBin(b, q.Data)
	return pack.AppendBin(b, q.Original)
}

// DecodePush reads a push; Data and Original are parts of b.
func DecodePush(b []byte) (PushRequest, error) {
	in, err := open(b, MaxFrame, 6)
	if err != nil {
		return PushRequest{}, err
	}
	q := PushRequest{seq(in), hash(in), readSeals(in), in.Bin(), bin(in, MaxReceipt)}
	return whole("push", in, q)
}

func appendSeals(b []byte, seals []events.Seal) []byte {
	b = pack.AppendArray(b, len(seals))
	for _, s := range seals {
		b = AppendSeal(b, s)
	}
	return b
}

// AppendSeal appends a seal as it stands in messages and journals: [seq, seen, signature].
func AppendSeal(b []byte, s events.Seal) []byte {
	b = pack.AppendArray(b, 3)
	b = pack.AppendUint(b, uint64(s.Seq))
	b = pack.AppendString(b, s.Seen)
	return pack.AppendBin(b, s.Signature)
}

func readSeal(in *pack.Reader) events.Seal {
	fields(in, 3)
	return events.Seal{Seq: events.Seq(in.Uint()), Seen: text(in, MaxSeen), Signature: bytes.Clone(fixed(in, ed25519.SignatureSize))}
}

// DecodeSeal is the inverse of AppendSeal.
func DecodeSeal(b []byte) (events.Seal, error) {
	in := pack.NewReader(b)
	return whole("seal", in, readSeal(in))
}

func readSeals(in *pack.Reader) []events.Seal { return each(in, MaxSeals, readSeal) }

// PushAnswer is the body of OK, Elsewhere and Fork: the cursor, up to which everything is stored, and the receipt for
// it.
type PushAnswer struct {
	Seq     events.Seq
	Link    events.Hash
	Receipt []byte // an encoded Receipt; empty while nothing is stored, which is while Seq is 0
}

// Encode writes a; its inverse is DecodePushAnswer.
func (a PushAnswer) Encode() []byte {
	b := pack.AppendArray(nil, 4)
	b = pack.AppendUint(b, Version)
	b = pack.AppendUint(b, uint64(a.Seq))
	b = appendHash(b, a.Link)
	return pack.AppendBin(b, a.Receipt)
}

// DecodePushAnswer reads the body of an answer to a push; Receipt is a part of b.
func DecodePushAnswer(b []byte) (PushAnswer, error) {
	in, err := open(b, MaxFrame, 4)
	if err != nil {
		return PushAnswer{}, err
	}
	a := PushAnswer{events.Seq(in.Uint()), hash(in), bin(in, MaxReceipt)}
	if in.Err() == nil && (a.Seq == 0) != (len(a.Receipt) == 0) {
		in.Failf("a receipt of %d bytes up to record %d", len(a.Receipt), a.Seq)
	}
	return whole("answer to a push", in, a)
}

// HeldRecord is a record that is stored, but that folds skip until the office lets it in.
type HeldRecord struct {
	Seq    events.Seq
	Hash   events.Hash
	Reason string
}

// Commit is the commit record: it stands first in a message of RECORDS and tells what the message brings and
// where the device's chain then ends.
type Commit struct {
	Device   events.DeviceID
	Seq      events.Seq // the cursor after it
	Link     events.Hash
	Range    Range             // the records it brings
	Seals    []events.Seal     // ascending
	Key      ed25519.PublicKey // that the seals hold by
	Gate     events.DeviceID   // who committed it
	Received events.Millis
	Nonce    [16]byte
	Held     []HeldRecord // ascending
	Original []byte       // of a healed range: the device's receipt

	// Parted says, of records on branch.<device>, at which partings their branch leaves those that came before it,
	// ascending. On push.<device> it is empty.
	Parted []events.Parting
}

// Encode writes c; its inverse is DecodeCommit.
func (c *Commit) Encode() []byte {
	b := pack.AppendArray(make([]byte, 0, 512), 14)
	b = pack.AppendUint(b, Version)
	b = pack.AppendString(b, string(c.Device))
	b = pack.AppendUint(b, uint64(c.Seq))
	b = appendHash(b, c.Link)
	b = appendRange(b, c.Range)
	b = appendSeals(b, c.Seals)
	b = pack.AppendBin(b, c.Key)
	b = pack.AppendString(b, string(c.Gate))
	b = pack.AppendInt(b, int64(c.Received))
	b = pack.AppendBin(b, c.Nonce[:])
	b = pack.AppendArray(b, len(c.Held))
	for _, h := range c.Held {
		b = pack.AppendArray(b, 3)
		b = pack.AppendUint(b, uint64(h.Seq))
		b = appendHash(b, h.Hash)
		b = pack.AppendString(b, h.Reason)
	}
	b = pack.AppendBin(b, c.Original)
	b = pack.AppendArray(b, len(c.Parted))
	for _, p := range c.Parted {
		b = pack.AppendArray(b, 3)
		b = pack.AppendUint(b, uint64(p.Seq))
		b = appendHash(appendHash(b, p.Link), p.Other)
	}
	return b
}

// DecodeCommit reads a commit record.
func DecodeCommit(b []byte) (*Commit, error) {
	in, err := open(b, maxCommit, 14)
	if err != nil {
		return nil, err
	}
	c := &Commit{
		Device: device(in), Seq: events.Seq(in.Uint()), Link: hash(in), Range: readRange(in), Seals: readSeals(in),
		Key: bytes.Clone(fixed(in, ed25519.PublicKeySize)), Gate: device(in), Received: millis(in),
	}
	copy(c.Nonce[:], fixed(in, len(c.Nonce)))
	c.Held = each(in, MaxRecords, func(in *pack.Reader) HeldRecord {
		fields(in, 3)
		return HeldRecord{events.Seq(in.Uint()), hash(in), text(in, MaxReason)}
	})
	c.Original = bytes.Clone(bin(in, MaxReceipt))
	c.Parted = each(in, MaxPartings, func(in *pack.Reader) events.Parting {
		fields(in, 3)
		return events.Parting{Seq: seq(in), Link: hash(in), Other: hash(in)}
	})
	if err := in.Done(); err != nil {
		return nil, fmt.Errorf("%w: commit record: %w", ErrMessage, err)
	}
	if err := c.check(); err != nil {
		return nil, fmt.Errorf("%w: commit record: %w", ErrMessage, err)
	}
	return c, nil
}

// check holds the parts of a commit record to each other.
func (c *Commit) check() error {
	if c.Range.To-c.Range.From >= MaxRecords || c.Seq < c.Range.To {
		return fmt.Errorf("records %d to %d with the cursor at %d", c.Range.From, c.Range.To, c.Seq)
	}
	next := c.Range.From
	for _, s := range c.Seals {
		if s.Seq < next || s.Seq > c.Range.To {
			return fmt.Errorf("a seal at record %d, out of order or outside records %d to %d", s.Seq, c.Range.From, c.Range.To)
		}
		next = s.Seq + 1
	}
	next = c.Range.From
	for _, h := range c.Held {
		if h.Seq < next || h.Seq > c.Range.To {
			return fmt.Errorf("record %d is held, out of order or outside records %d to %d", h.Seq, c.Range.From, c.Range.To)
		}
		next = h.Seq + 1
	}
	next = 1
	for _, p := range c.Parted {
		if p.Seq < next || p.Seq > c.Range.From {
			return fmt.Errorf("a parting at record %d, out of order or behind the first of records %d to %d", p.Seq, c.Range.From, c.Range.To)
		}
		next = p.Seq + 1
	}
	if len(c.Original) == 0 {
		return nil
	}
	r, err := DecodeReceipt(c.Original)
	if err == nil && r.Device != c.Device {
		err = fmt.Errorf("of %s, not of %s", r.Device, c.Device)
	}
	if err != nil {
		return fmt.Errorf("the original receipt: %w", err)
	}
	return nil
}

// EncodeStored writes the data of a message in RECORDS: the commit record, then the records, as one list. Its inverse
// is DecodeStored.
//
// What is kept for ever should need nothing of ours to be read, so it is not folded: it is zstd without a dictionary.
func EncodeStored(c *Commit, records [][]byte) []byte {
	n := 1 << 10
	for _, r := range records {
		n += len(r) + 3
	}
	list := AppendPiece(make([]byte, 0, n), c.Encode())
	for _, r := range records {
		list = AppendPiece(list, r)
	}
	return squeezePlain(list)
}

// DecodeStored reads the data of a message in RECORDS. The number of records is held to the commit record's range; the
// records themselves are not read.
func DecodeStored(data []byte) (*Commit, [][]byte, error) {
	if len(data) > MaxMessage {
		return nil, nil, fmt.Errorf("%w: %d bytes, at most %d are allowed", ErrMessage, len(data), MaxMessage)
	}
	list, err := Expand(data, maxExpanded)
	if err != nil {
		return nil, nil, err
	}
	pieces, err := Pieces(list, MaxRecords+1, maxCommit)
	if err != nil {
		return nil, nil, err
	}
	if len(pieces) == 0 {
		return nil, nil, fmt.Errorf("%w: no commit record", ErrMessage)
	}
	c, err := DecodeCommit(pieces[0])
	if err != nil {
		return nil, nil, err
	}
	records := pieces[1:]
	if uint64(len(records)) != uint64(c.Range.To-c.Range.From)+1 {
		return nil, nil, fmt.Errorf("%w: %d records, not %d to %d", ErrMessage, len(records), c.Range.From, c.Range.To)
	}
	for i, r := range records {
		if len(r) > events.MaxRecord {
			return nil, nil, fmt.Errorf("%w: record %d has %d bytes, at most %d are allowed", ErrMessage, c.Range.From+events.Seq(i), len(r), events.MaxRecord)
		}
	}
	return c, records, nil
}

// HashData is the hash of a message's data, as a Place has it.
func HashData(data []byte) events.Hash { return sha256.Sum256(data) }

// Receipt is the gate's promise that the records of a device up to Last are on the centre's disk.
type Receipt struct {
	Device     events.DeviceID
	First      events.Seq // the range of the message at Place
	Last       events.Seq
	Link       events.Hash // of the device's chain at Last
	Received   events.Millis
	Place      Place
	Checkpoint string // newest checkpoint of the public log; empty for none
	Gate       events.DeviceID
	Signature  []byte
}

const labelReceipt = "ullage.receipt.1"

func (r *Receipt) signed() []byte {
	return events.Label(labelReceipt).Text(string(r.Device)).Uint(uint64(r.First)).Uint(uint64(r.Last)).Bytes(r.Link[:]).
		Uint(uint64(r.Received)).Uint(r.Place.Seq).Bytes(r.Place.Hash[:]).Uint(uint64(r.Place.Created)).Text(r.Checkpoint)
}

// Sign signs r as gate.
func (r *Receipt) Sign(gate events.DeviceID, key ed25519.PrivateKey) {
	r.Gate, r.Signature = gate, ed25519.Sign(key, r.signed())
}

// Verify returns ErrReceipt unless the gate's key signed r.
func (r *Receipt) Verify(key ed25519.PublicKey) error {
	if len(key) != ed25519.PublicKeySize || !ed25519.Verify(key, r.signed(), r.Signature) {
		return ErrReceipt
	}
	return nil
}

// Encode writes r; its inverse is DecodeReceipt.
func (r *Receipt) Encode() []byte {
	b := pack.AppendArray(make([]byte, 0, 256), 10)
	b = pack.AppendUint(b, Version)
	b = pack.AppendString(b, string(r.Device))
	b = pack.AppendUint(b, uint64(r.First))
	b = pack.AppendUint(b, uint64(r.Last))
	b = appendHash(b, r.Link)
	b = pack.AppendInt(b, int64(r.Received))
	b = appendPlace(b, r.Place)
	b = pack.AppendString(b, r.Checkpoint)
	b = pack.AppendString(b, string(r.Gate))
	return pack.AppendBin(b, r.Signature)
}

// DecodeReceipt reads a receipt; Verify tells whether it holds.
func DecodeReceipt(b []byte) (*Receipt, error) {
	in, err := open(b, MaxReceipt, 10)
	if err != nil {
		return nil, err
	}
	r := &Receipt{Device: device(in)}
	covers := readRange(in)
	r.First, r.Last, r.Link, r.Received, r.Place = covers.From, covers.To, hash(in), millis(in), readPlace(in)
	r.Checkpoint, r.Gate, r.Signature = text(in, MaxSeen), device(in), bytes.Clone(fixed(in, ed25519.SignatureSize))
	return whole("receipt", in, r)
}

// Wait is a time to wait as an answer carries it.
func Wait(d time.Duration) events.Millis { return events.Millis(d / time.Millisecond) }

// IsMessage tells whether err is about the form of a message.
func IsMessage(err error) bool { return errors.Is(err, ErrMessage) }
