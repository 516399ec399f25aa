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
	return appendRange(b, q.Range)
}

// DecodeBack reads the request.
func DecodeBack(b []byte) (BackRequest, error) {
	in, err := open(b, MaxFrame, 3)
	if err != nil {
		return BackRequest{}, err
	}
	return whole("back", in, BackRequest{readRange(in)})
}

// BackAnswer is the body of OK: the records from First on, as many as one answer holds, and the seals with which the
// device brought them.
type BackAnswer struct {
	First   events.Seq
	Seals   []events.Seal // ascending, each over one of the records
	Records [][]byte
}

// Encode writes a; its inverse is DecodeBackAnswer.
func (a BackAnswer) Encode() []byte {
	var list []byte
	for _, r := range a.Records {
		list = AppendPiece(list, r)
	}
	b := pack.AppendArray(nil, 4)
	b = pack.AppendUint(b, Version)
	b = pack.AppendUint(b, uint64(a.First))
	b = appendSeals(b, a.Seals)
	return pack.AppendBin(b, Squeeze(list))
}

// DecodeBackAnswer reads the body of the answer.
func DecodeBackAnswer(b []byte) (BackAnswer, error) {
	in, err := open(b, MaxFrame, 4)
	if err != nil {
		return BackAnswer{}, err
	}
	first, seals, data := seq(in), readSeals(in), in.Bin()
	if err := in.Done(); err != nil {
		return BackAnswer{}, fmt.Errorf("%w: answer to back: %w", ErrMessage, err)
	}
	records, err := expandRecords(data, MaxRecords)
	if err != nil {
		return BackAnswer{}, fmt.Errorf("answer to back: %w", err)
	}
	next := first
	for _, s := range seals {
		if s.Seq < next || s.Seq-first >= events.Seq(len(records)) {
			return BackAnswer{}, fmt.Errorf("%w: answer to back: a seal at record %d, out of order or over none of the %d records from %d on", ErrMessage, s.Seq, len(records), first)
		}
		next = s.Seq + 1
	}
	return BackAnswer{first, seals, records}, nil
}

// expandRecords reads a squeezed list of at most most records.
func expandRecords(data []byte, most int) ([][]byte, error) {
	list, err := Expand(data, MaxPlain)
	if err != nil {
		return nil, err
	}
	return Pieces(list, most, events.MaxRecord)
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
	return whole("pull", in, PullRequest{readPlace(in), readCopies(in)})
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

// arrival tells of a number of records, one after the other in an answer, how they came to the centre.
type arrival struct {
	records  uint64
	received events.Millis
	commit   events.Hash
}

func arrivalsOf(records []Pulled) (runs []arrival) {
	for _, r := range records {
		if n := len(runs); n > 0 && runs[n-1].received == r.Received && runs[n-1].commit == r.Commit {
			runs[n-1].records++
		} else {
			runs = append(runs, arrival{1, r.Received, r.Commit})
		}
	}
	return runs
}

func readArrivals(in *pack.Reader) []arrival {
	runs := each(in, MaxPulled, func(in *pack.Reader) arrival {
		fields(in, 3)
		return arrival{in.Uint(), millis(in), hash(in)}
	})
	for i, run := range runs {
		same := i > 0 && run.received == runs[i-1].received && run.commit == runs[i-1].commit
		if in.Err() == nil && (run.records == 0 || same) {
			in.Failf("an arrival of no records, or of the same as before")
		}
	}
	return runs
}

// Encode writes a; its inverse is DecodePullAnswer.
func (a *PullAnswer) Encode() []byte {
	var list []byte
	for _, r := range a.Records {
		list = AppendPiece(list, r.Record)
	}
	runs := arrivalsOf(a.Records)
	b := pack.AppendArray(make([]byte, 0, 1024), 9)
	b = pack.AppendUint(b, Version)
	b = pack.AppendBool(b, a.Reset)
	b = appendPlace(b, a.Place)
	b = appendCopies(b, a.Copies)
	b = pack.AppendArray(b, len(runs))
	for _, run := range runs {
		b = pack.AppendUint(pack.AppendArray(b, 3), run.records)
		b = appendHash(pack.AppendInt(b, int64(run.received)), run.commit)
	}
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
	in, err := open(b, MaxMessage, 9)
	if err != nil {
		return nil, err
	}
	a := &PullAnswer{Reset: in.Bool(), Place: readPlace(in), Copies: readCopies(in)}
	runs, data := readArrivals(in), in.Bin()
	a.More, a.Drop, a.Gates = in.Bool(), each(in, maxList, machine), readGates(in)
	if err := in.Done(); err != nil {
		return nil, fmt.Errorf("%w: answer to a pull: %w", ErrMessage, err)
	}
	records, err := expandRecords(data, MaxPulled)
	if err != nil {
		return nil, fmt.Errorf("answer to a pull: %w", err)
	}
	for _, run := range runs {
		if run.records > uint64(len(records)) {
			return nil, fmt.Errorf("%w: answer to a pull: fewer records than have arrived", ErrMessage)
		}
		for _, r := range records[:run.records] {
			a.Records = append(a.Records, Pulled{r, run.received, run.commit})
		}
		records = records[run.records:]
	}
	if len(records) > 0 {
		return nil, fmt.Errorf("%w: answer to a pull: more records than have arrived", ErrMessage)
	}
	return a, nil
}

// AppendPulled appends p as [received, commit, record], as devices keep it; its inverse is DecodePulled.
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
	p := Pulled{Received: millis(in), Commit: hash(in), Record: bin(in, events.MaxRecord)}
	return whole("pulled record", in, p)
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
	return each(in, maxList, func(in *pack.Reader) Copy {
		fields(in, 2)
		return Copy{machine(in), in.Uint()}
	})
}

func machine(in *pack.Reader) events.MachineID { return events.MachineID(code(in)) }
