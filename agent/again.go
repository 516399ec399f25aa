package agent

import (
	"bytes"
	"context"
	"errors"

	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/wire"
)

// receipts are those that the device keeps, in the order in which they came.
type receipts []receipt

type receipt struct {
	first, last events.Seq // of the message that it is for
	raw         []byte
}

// receiptsOf reads them from a journal. One that cannot be read says nothing.
func receiptsOf(j *journal.Journal) (all receipts, err error) {
	err = j.Receipts(func(_ events.Seq, payload []byte) error {
		if r, err := wire.DecodeReceipt(payload); err == nil {
			all = append(all, receipt{r.First, r.Last, bytes.Clone(payload)})
		}
		return nil
	})
	return all, err
}

// covering is the first receipt for a record.
func (all receipts) covering(seq events.Seq) (receipt, bool) {
	for _, r := range all {
		if r.first <= seq && seq <= r.last {
			return r, true
		}
	}
	return receipt{}, false
}

// again sends records that the centre has lost and asks for, each stretch with the receipt that it once gave. What cannot be
// sent, and what the centre does not take, is told and holds up nothing.
func (s *session) again(ctx context.Context, r wire.Range) error {
	s.cfg.Log.Warn("the centre has lost records that it had received, and asks for them again", "from", r.From, "to", r.To)
	for at := r.From - 1; at < r.To; {
		p, err := s.pack(at, int(min(r.To-at, wire.MaxRecords)))
		if errors.Is(err, journal.ErrGap) || err == nil && p == nil {
			s.cfg.Log.Error("records that the centre asks for are not here either", "from", at+1, "to", r.To, "error", err)
			return nil
		}
		if err != nil {
			return err
		}
		a, err := s.ask(ctx, wire.Push, s.patience(p), p.build)
		if err != nil {
			return err
		}
		if a.Status != wire.OK {
			s.cfg.Log.Error("the centre does not take the records that it asked for", "from", at+1, "to", r.To, "answer", a.Status, "reason", a.Reason)
			return nil
		}
		at = p.last
		s.loop.progressed()
	}
	return nil
}
