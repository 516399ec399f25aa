package wire

import (
	"ullage/events"
	"ullage/events/pack"
)

// LogEntry tells what one message of RECORDS brought into the public log.
type LogEntry struct {
	Place    Place
	Device   events.DeviceID
	Received events.Millis // when the message was
	Runs     []LogRun      // its leaves: in general one run; none where the log had them all
	Size     uint64        // of the log after it
	Root     events.Hash   // of the log after it
	News     uint64        // size up to the last record that is more than a device's word on clock and log
}

// LogRun is leaves of records that follow each other in a device's chain.
type LogRun struct {
	First  events.Seq // of the first
	Leaves []events.Hash
}

// LogMessage is a message in LOG. Each begins where the one before ended.
type LogMessage struct {
	Origin  string // of its epoch's checkpoints
	Entries []LogEntry
}

// Limits of a message in LOG. MaxLogLeaves bounds its leaves, of all entries together.
const (
	MaxLogEntries = 256
	MaxLogLeaves  = 16 << 10
)

// Encode writes m; its inverse is DecodeLog.
func (m *LogMessage) Encode() []byte {
	b := pack.AppendArray(make([]byte, 0, 1024), 3)
	b = pack.AppendUint(b, Version)
	b = pack.AppendString(b, m.Origin)
	b = pack.AppendArray(b, len(m.Entries))
	for _, e := range m.Entries {
		b = appendLogEntry(b, e)
	}
	return b
}

func appendLogEntry(b []byte, e LogEntry) []byte {
	b = pack.AppendArray(b, 7)
	b = appendPlace(b, e.Place)
	b = pack.AppendString(b, string(e.Device))
	b = pack.AppendInt(b, int64(e.Received))
	b = pack.AppendArray(b, len(e.Runs))
	for _, r := range e.Runs {
		b = pack.AppendArray(b, 2)
		b = pack.AppendUint(b, uint64(r.First))
		leaves := make([]byte, 0, len(r.Leaves)*len(events.Hash{}))
		for _, l := range r.Leaves {
			leaves = append(leaves, l[:]...)
		}
		b = pack.AppendBin(b, leaves)
	}
	b = pack.AppendUint(b, e.Size)
	b = appendHash(b, e.Root)
	return pack.AppendUint(b, e.News)
}

// DecodeLog reads a message of LOG. That the sizes follow from each other is asked, that the roots do is not.
func DecodeLog(b []byte) (*LogMessage, error) {
	in, err := open(b, MaxMessage, 3)
	if err != nil {
		return nil, err
	}
	m := &LogMessage{Origin: text(in, MaxSeen), Entries: each(in, MaxLogEntries, readLogEntry)}
	if in.Err() == nil && len(m.Entries) == 0 {
		in.Failf("no entry")
	}
	leaves := 0
	for i, e := range m.Entries {
		leaves += e.Leaves()
		if in.Err() == nil && i > 0 && e.Size != m.Entries[i-1].Size+uint64(e.Leaves()) {
			in.Failf("%d leaves after %d make no %d", e.Leaves(), m.Entries[i-1].Size, e.Size)
		}
	}
	if in.Err() == nil && leaves > MaxLogLeaves {
		in.Failf("%d leaves, at most %d are allowed", leaves, MaxLogLeaves)
	}
	return whole("message of the log", in, m)
}

func readLogEntry(in *pack.Reader) LogEntry {
	fields(in, 7)
	e := LogEntry{Place: readPlace(in), Device: device(in), Received: millis(in), Runs: each(in, MaxRecords, readLogRun)}
	e.Size, e.Root, e.News = in.Uint(), hash(in), in.Uint()
	if in.Err() != nil {
		return e
	}
	next := events.Seq(1)
	for _, r := range e.Runs {
		if r.First < next || r.First+events.Seq(len(r.Leaves)) < r.First {
			in.Failf("a run at record %d, out of order", r.First)
			return e
		}
		next = r.First + events.Seq(len(r.Leaves))
	}
	if n := e.Leaves(); n > MaxRecords || e.Size < uint64(n) || e.News > e.Size {
		in.Failf("%d leaves in a log of %d, with news up to %d", n, e.Size, e.News)
	}
	return e
}

func readLogRun(in *pack.Reader) LogRun {
	const size = len(events.Hash{})
	fields(in, 2)
	r := LogRun{First: seq(in)}
	p := in.Bin()
	if in.Err() != nil {
		return r
	}
	if len(p) == 0 || len(p)%size != 0 || len(p) > MaxRecords*size {
		in.Failf("%d bytes are no leaves", len(p))
		return r
	}
	for ; len(p) > 0; p = p[size:] {
		r.Leaves = append(r.Leaves, events.Hash(p[:size]))
	}
	return r
}

// Leaves is how many leaves e brings.
func (e *LogEntry) Leaves() int {
	n := 0
	for _, r := range e.Runs {
		n += len(r.Leaves)
	}
	return n
}

// First is the index of e's first leaf.
func (e *LogEntry) First() uint64 { return e.Size - uint64(e.Leaves()) }
