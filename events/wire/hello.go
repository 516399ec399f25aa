package wire

import (
	"bytes"
	"crypto/ed25519"
	"errors"

	"ullage/events"
	"ullage/events/pack"
)

// HelloRequest begins a session: where the device's chain ends, and what it knows of the centre.
type HelloRequest struct {
	Seq       events.Seq
	Link      events.Hash
	Clock     events.Clock
	Receipted events.Seq // last record of its last receipt
	Software  string     // the device's version, in words
	Seen      string     // unsigned text of the newest checkpoint that it has checked; empty for none
	Signature []byte     // over device, seq, link, clock and the inbox that it asks the answer to
}

// ErrHello is returned for a hello whose signature does not hold.
var ErrHello = errors.New("the signature of the hello does not hold")

const labelHello = "ullage.hello.1"

func (q *HelloRequest) signed(device events.DeviceID, inbox string) []byte {
	return events.Label(labelHello).Text(string(device)).Uint(uint64(q.Seq)).Bytes(q.Link[:]).Uint(uint64(q.Clock)).Text(inbox)
}

// Sign signs q as device, for an answer to inbox.
func (q *HelloRequest) Sign(key ed25519.PrivateKey, device events.DeviceID, inbox string) {
	q.Signature = ed25519.Sign(key, q.signed(device, inbox))
}

// Verify returns ErrHello unless the device's key signed q for that inbox.
func (q *HelloRequest) Verify(key ed25519.PublicKey, device events.DeviceID, inbox string) error {
	if len(key) != ed25519.PublicKeySize || !ed25519.Verify(key, q.signed(device, inbox), q.Signature) {
		return ErrHello
	}
	return nil
}

// Encode writes q; its inverse is DecodeHello.
func (q *HelloRequest) Encode() []byte {
	b := pack.AppendArray(make([]byte, 0, 256), 8)
	b = pack.AppendUint(b, Version)
	b = pack.AppendUint(b, uint64(q.Seq))
	b = appendHash(b, q.Link)
	b = pack.AppendUint(b, uint64(q.Clock))
	b = pack.AppendUint(b, uint64(q.Receipted))
	b = pack.AppendString(b, q.Software)
	b = pack.AppendString(b, q.Seen)
	return pack.AppendBin(b, q.Signature)
}

// DecodeHello reads a hello.
func DecodeHello(b []byte) (*HelloRequest, error) {
	in, err := open(b, MaxFrame, 8)
	if err != nil {
		return nil, err
	}
	q := &HelloRequest{
		Seq: events.Seq(in.Uint()), Link: hash(in), Clock: events.Clock(in.Uint()), Receipted: events.Seq(in.Uint()),
		Software: text(in, events.MaxIdentifier), Seen: text(in, MaxSeen), Signature: bytes.Clone(fixed(in, ed25519.SignatureSize)),
	}
	return whole("hello", in, q)
}

// GateKey is the key by which a gate signs receipts.
type GateKey struct {
	Gate events.DeviceID
	Key  ed25519.PublicKey
}

// HelloAnswer is the body of OK, Behind and Fork.
type HelloAnswer struct {
	Seq        events.Seq // the cursor: what the centre has of the device
	Link       events.Hash
	Now        events.Millis // the centre's clock
	Checkpoint string        // newest checkpoint of the public log; empty for none
	Proof      []events.Hash // that it extends the one that the device has seen
	News       uint64        // size of the log up to its last record that is more than a device's word on clock and log
	Want       []Range       // records to send again
	Erased     []events.Digest
	Gates      []GateKey
}

// Encode writes a; its inverse is DecodeHelloAnswer.
func (a *HelloAnswer) Encode() []byte {
	b := pack.AppendArray(make([]byte, 0, 256), 10)
	b = pack.AppendUint(b, Version)
	b = pack.AppendUint(b, uint64(a.Seq))
	b = appendHash(b, a.Link)
	b = pack.AppendInt(b, int64(a.Now))
	b = pack.AppendString(b, a.Checkpoint)
	b = appendHashes(b, a.Proof)
	b = pack.AppendUint(b, a.News)
	b = pack.AppendArray(b, len(a.Want))
	for _, r := range a.Want {
		b = appendRange(pack.AppendArray(b, 2), r)
	}
	b = appendHashes(b, a.Erased)
	return appendGates(b, a.Gates)
}

// DecodeHelloAnswer reads the body of an answer to a hello.
func DecodeHelloAnswer(b []byte) (*HelloAnswer, error) {
	in, err := open(b, MaxFrame, 10)
	if err != nil {
		return nil, err
	}
	a := &HelloAnswer{Seq: events.Seq(in.Uint()), Link: hash(in), Now: millis(in), Checkpoint: text(in, MaxSeen), Proof: each(in, maxList, hash), News: in.Uint()}
	a.Want = each(in, MaxRanges, func(in *pack.Reader) Range {
		fields(in, 2)
		return readRange(in)
	})
	a.Erased, a.Gates = each(in, maxList, hash), readGates(in)
	return whole("answer to a hello", in, a)
}

func appendHashes(b []byte, hashes []events.Hash) []byte {
	b = pack.AppendArray(b, len(hashes))
	for _, h := range hashes {
		b = appendHash(b, h)
	}
	return b
}

func appendGates(b []byte, gates []GateKey) []byte {
	b = pack.AppendArray(b, len(gates))
	for _, g := range gates {
		b = pack.AppendArray(b, 2)
		b = pack.AppendString(b, string(g.Gate))
		b = pack.AppendBin(b, g.Key)
	}
	return b
}

func readGates(in *pack.Reader) []GateKey {
	return each(in, maxList, func(in *pack.Reader) GateKey {
		fields(in, 2)
		return GateKey{device(in), bytes.Clone(fixed(in, ed25519.PublicKeySize))}
	})
}
