package wire

import (
	"fmt"

	"ullage/events"
	"ullage/events/pack"
)

// BackRequest asks for the device's own records, from the first of the range on.
type BackRequest struct{ Range Range }

// Encode writes q; its inverse is DecodeBack.
func (q BackRequest) Encode() []byte {
	b := pack.AppendArray(nil, 3)
	b = pack.AppendUint(b, Version)
	b = pack.AppendUint(b, uint64(q.Range.From))
	return pack.AppendUint(b, uint64(q.Range.To))
}

// DecodeBack reads the request.
func DecodeBack(b []byte) (BackRequest, error) {
	in, err := open(b, MaxFrame, 3)
	if err != nil {
		return BackRequest{}, err
	}
	q := BackRequest{Range{events.Seq(in.Uint()), events.Seq(in.Uint())}}
	return q, done("back", in)
}

// BackAnswer is the body of OK: the records from First on, as many as one answer holds.
type BackAnswer struct {
	First   events.Seq
	Records [][]byte
}

// Encode writes a; its inverse is DecodeBackAnswer.
func (a BackAnswer) Encode() []byte {
	var list []byte
	for _, r := range a.Records {
		list = AppendPiece(list, r)
	}
	b := pack.AppendArray(nil, 3)
	b = pack.AppendUint(b, Version)
	b = pack.AppendUint(b, uint64(a.First))
	return pack.AppendBin(b, Squeeze(list))
}

// DecodeBackAnswer reads the body of the answer.
func DecodeBackAnswer(b []byte) (BackAnswer, error) {
	in, err := open(b, MaxFrame, 3)
	if err != nil {
		return BackAnswer{}, err
	}
	a := BackAnswer{First: events.Seq(in.Uint())}
	data := in.Bin()
	if err := done("answer to back", in); err != nil {
		return BackAnswer{}, err
	}
	list, err := Expand(data, MaxPlain)
	if err != nil {
		return BackAnswer{}, err
	}
	a.Records, err = Pieces(list, MaxRecords, events.MaxRecord)
	return a, err
}

// Copy says how far a device's copy of one machine's records goes: up to the message of that sequence in RECORDS.
type Copy struct {
	Machine events.MachineID
	Seq     uint64
}

// PullRequest asks for records of others: of the register behind Place, and of each machine behind its Copy.
type PullRequest struct {
	Place  Place
	Copies []Copy
}

// Encode writes q; its inverse is DecodePull.
func (q PullRequest) Encode() []byte {
	b := pack.AppendArray(nil, 3)
	b = pack.AppendUint(b, Version)
	b = appendPlace(b, q.Place)
	return appendCopies(b, q.Copies)
}

// DecodePull reads the request.
func DecodePull(b []byte) (PullRequest, error) {
	in, err := open(b, MaxFrame, 3)
	if err != nil {
		return PullRequest{}, err
	}
	q := PullRequest{readPlace(in), readCopies(in)}
	return q, done("pull", in)
}

// Pulled is a record of another device, and how it came to the centre.
type Pulled struct {
	Record   []byte
	Received events.Millis
	Commit   events.Hash // hash of the message that brought it
}

// PullAnswer is the body of OK.
type PullAnswer struct {
	Reset   bool  // the place of the request does not hold: the device begins at nothing again
	Place   Place // where the register of the device then stands
	Copies  []Copy
	Records []Pulled
	More    bool               // there is more: pull again
	Drop    []events.MachineID // not the device's any more
	Gates   []GateKey
}

// Encode writes a; its inverse is DecodePullAnswer.
func (a *PullAnswer) Encode() []byte {
	var list, piece []byte
	for _, r := range a.Records {
		piece = AppendPulled(piece[:0], r)
		list = AppendPiece(list, piece)
	}
	b := pack.AppendArray(make([]byte, 0, 1024), 8)
	b = pack.AppendUint(b, Version)
	b = pack.AppendBool(b, a.Reset)
	b = appendPlace(b, a.Place)
	b = appendCopies(b, a.Copies)
	b = pack.AppendBin(b, Squeeze(list))
	b = pack.AppendBool(b, a.More)
	b = pack.AppendArray(b, len(a.Drop))
	for _, m := range a.Drop {
		b = pack.AppendString(b, string(m))
	}
	return appendGates(b, a.Gates)
}

// DecodePullAnswer reads the body of the answer.
func DecodePullAnswer(b []byte) (*PullAnswer, error) {
	in, err := open(b, MaxMessage, 8)
	if err != nil {
		return nil, err
	}
	a := &PullAnswer{Reset: in.Bool(), Place: readPlace(in), Copies: readCopies(in)}
	data := in.Bin()
	a.More = in.Bool()
	for range in.Array(maxList) {
		a.Drop = append(a.Drop, events.MachineID(device(in)))
	}
	a.Gates = readGates(in)
	if err := done("answer to a pull", in); err != nil {
		return nil, err
	}
	list, err := Expand(data, MaxPlain)
	if err != nil {
		return nil, err
	}
	pieces, err := Pieces(list, MaxPlain, events.MaxRecord+64)
	if err != nil {
		return nil, err
	}
	for i, p := range pieces {
		r, err := DecodePulled(p)
		if err != nil {
			return nil, fmt.Errorf("record %d of the answer: %w", i+1, err)
		}
		a.Records = append(a.Records, r)
	}
	return a, nil
}

// AppendPulled appends p as [received, commit, record]; its inverse is DecodePulled.
func AppendPulled(b []byte, p Pulled) []byte {
	b = pack.AppendArray(b, 3)
	b = pack.AppendInt(b, int64(p.Received))
	b = appendHash(b, p.Commit)
	return pack.AppendBin(b, p.Record)
}

// DecodePulled reads one pulled record, whose bytes are a part of b.
func DecodePulled(b []byte) (Pulled, error) {
	in := pack.NewReader(b)
	fields(in, 3)
	p := Pulled{Received: events.Millis(in.Int()), Commit: hash(in), Record: in.Bin()}
	return p, done("pulled record", in)
}

func appendCopies(b []byte, copies []Copy) []byte {
	b = pack.AppendArray(b, len(copies))
	for _, c := range copies {
		b = pack.AppendArray(b, 2)
		b = pack.AppendString(b, string(c.Machine))
		b = pack.AppendUint(b, c.Seq)
	}
	return b
}

func readCopies(in *pack.Reader) []Copy {
	var copies []Copy
	for range in.Array(maxList) {
		fields(in, 2)
		copies = append(copies, Copy{events.MachineID(device(in)), in.Uint()})
		if in.Err() != nil {
			return nil
		}
	}
	return copies
}
