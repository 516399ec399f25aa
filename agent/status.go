package agent

import (
	"errors"
	"fmt"

	"ullage/agent/journal"
	"ullage/agent/journal/disk"
	"ullage/events"
	"ullage/events/checkpoint"
	"ullage/events/wire"
)

// Status is how a device stands. In JSON it is what the command prints; what does not apply is null.
type Status struct {
	Device   events.DeviceID `json:"device"`
	Records  uint64          `json:"records"`  // kept on the device: received and waiting
	Received uint64          `json:"received"` // that the device has a receipt for
	Waiting  uint64          `json:"waiting"`
	Why      *string         `json:"why"`   // why they wait
	Since    *string         `json:"since"` // when the first of them was written
	LastSync *string         `json:"last_sync"`
	Head     StatusHead      `json:"head"`
	Receipt  *StatusReceipt  `json:"receipt"`          // the newest; null for none
	Log      *StatusLog      `json:"log"`              // the newest checkpoint of the centre's log that the device has checked; null for none
	Alarms   []string        `json:"alarms"`           // what somebody has to act on
	Before   []Status        `json:"before,omitempty"` // of the identities from which this one goes on, since they have forked, oldest first

	since waitingSince
}

// StatusHead is the end of the device's chain.
type StatusHead struct {
	Seq  events.Seq `json:"seq"`
	Link string     `json:"link"`
}

// StatusReceipt is a receipt: the gate's promise that the records up to Last are on the centre's disk, at that place.
type StatusReceipt struct {
	Last       events.Seq      `json:"last"`
	Received   string          `json:"received"` // by the gate's clock, in UTC
	Gate       events.DeviceID `json:"gate"`
	Message    uint64          `json:"message"`    // its number at the centre
	Hash       string          `json:"hash"`       // SHA-256 of the message
	Checkpoint *StatusLog      `json:"checkpoint"` // of the centre's log then; null for none
}

// StatusLog is a checkpoint of the centre's log.
type StatusLog struct {
	Origin string `json:"origin"`
	Size   uint64 `json:"size"`
	Root   string `json:"root"`
}

func statusLog(text string) *StatusLog {
	c, err := checkpoint.Parse(text)
	if err != nil {
		return nil
	}
	return &StatusLog{c.Origin, c.Size, c.Root.String()}
}

type waitingSince struct {
	at   events.Millis
	zone int
}

// readable is what Journal and Reader have in common.
type readable interface {
	Head() events.Head
	LastReceipt() ([]byte, bool)
	Record(events.Seq) ([]byte, error)
	Gaps() ([]journal.Range, error)
}

// Status tells how the device stands.
func (d *Device) Status() (Status, error) {
	s, err := statusOf(d.id.Device, d.journal, d.memory.get(), d.guard.get())
	if err == nil {
		s.Before, err = lookAll(d.elders, d.cfg.Disk)
	}
	return s, err
}

// Look is Status without the lock, as it stands on the disk. The error wraps ErrNotEnrolled where no device lives
// there.
func Look(dir string) (Status, error) {
	all := lineage(dir)
	s, err := look(all[len(all)-1], nil)
	if err == nil {
		s.Before, err = lookAll(all[:len(all)-1], nil)
	}
	return s, err
}

func lookAll(homes []home, layer disk.FS) (all []Status, err error) {
	for _, h := range homes {
		s, err := look(h, layer)
		if err != nil {
			return nil, err
		}
		all = append(all, s)
	}
	return all, nil
}

func look(h home, layer disk.FS) (Status, error) {
	id, err := h.read()
	if err != nil {
		return Status{}, err
	}
	r, err := journal.OpenRead(journal.Config{Dir: h.journal(), FS: layer})
	if err != nil {
		return Status{}, err
	}
	defer r.Close()
	g, err := openGuard(h.log())
	if err != nil {
		return Status{}, err
	}
	return statusOf(id.Device, r, openMemory(h.memory()).get(), g.get())
}

func statusOf(device events.DeviceID, j readable, m remembered, g guarded) (Status, error) {
	// The head first: a receipt that comes in between is for no more than what is there.
	head := j.Head()
	w, err := waitingIn(j)
	if err != nil {
		return Status{}, err
	}
	s := Status{Device: device, Records: uint64(head.Seq), Head: StatusHead{head.Seq, head.Link.String()}, Alarms: []string{}}
	s.Alarms = append(append(s.Alarms, m.Alarms...), g.alarms()...)
	if s.Receipt, err = newestReceipt(j); err != nil {
		return Status{}, err
	}
	if g.Checked != "" {
		s.Log = statusLog(checkpoint.Text(g.Checked))
	}
	if w != nil {
		s.Waiting = min(w.Records, s.Records)
		reason := m.Why
		if reason == "" {
			reason = notSent
		}
		s.Why = &reason
		if w.Since != 0 {
			since := w.Since.Format(w.Zone)
			s.Since, s.since = &since, waitingSince{w.Since, w.Zone}
		}
	}
	s.Received = s.Records - s.Waiting
	if m.LastSync != 0 {
		last := m.LastSync.Format(m.Zone)
		s.LastSync = &last
	}
	gaps, err := j.Gaps()
	if err != nil {
		return Status{}, err
	}
	for _, g := range gaps {
		s.Alarms = append(s.Alarms, fmt.Sprintf("%s of this device are damaged on its disk; the next sync fetches them back from the centre if they were received", g))
	}
	return s, nil
}

func newestReceipt(j readable) (*StatusReceipt, error) {
	payload, ok := j.LastReceipt()
	if !ok {
		return nil, nil
	}
	r, err := wire.DecodeReceipt(payload)
	if err != nil {
		return nil, fmt.Errorf("the last receipt in the journal: %w", err)
	}
	s := &StatusReceipt{Last: r.Last, Received: r.Received.Format(0), Gate: r.Gate, Message: r.Place.Seq, Hash: r.Place.Hash.String()}
	if r.Checkpoint != "" {
		s.Checkpoint = statusLog(checkpoint.Text(r.Checkpoint))
	}
	return s, nil
}

// waitingIn tells what waits in a journal; nil for nothing.
func waitingIn(j readable) (*Waiting, error) {
	received, err := receivedOf(j)
	if err != nil {
		return nil, err
	}
	head := j.Head().Seq
	if head <= received {
		return nil, nil
	}
	w := &Waiting{Records: uint64(head - received)}
	raw, err := j.Record(received + 1)
	if errors.Is(err, journal.ErrGap) {
		return w, nil // since when is lost with it
	}
	if err != nil {
		return nil, err
	}
	r, err := events.DecodeRecord(raw)
	if err != nil {
		return nil, err
	}
	w.Since, w.Zone = r.Clock.At(), r.Zone
	return w, nil
}

// String is the status in one sentence for people.
func (s Status) String() string {
	switch {
	case s.Waiting > 0 && s.since.at != 0:
		return fmt.Sprintf("%d waiting since %s: %s", s.Waiting, s.since.at.In(s.since.zone).Format("2006-01-02 15:04"), *s.Why)
	case s.Waiting > 0:
		return fmt.Sprintf("%d waiting: %s", s.Waiting, *s.Why)
	}
	return "nothing waiting"
}
