package agent

import (
	"errors"
	"fmt"
	"syscall"

	"ullage/events"
)

// What can stand between a record and the centre. Everything that is not one of these and not a Stop is told in its
// own words and tried again.
var (
	ErrNoNetwork = errors.New("no network")
	ErrNoCentre  = errors.New("the centre cannot be reached")
	ErrNoGate    = errors.New("the centre is up, but nobody there takes records")
	ErrNoAnswer  = errors.New("the centre does not answer")
	ErrCut       = errors.New("the connection was lost")
	ErrBusy      = errors.New("the centre is busy")
)

// StopKind says what brought the conversation to a stop.
type StopKind string

// The kinds of Stop.
const (
	StopFork    StopKind = "fork"    // the centre has another history under this device's name
	StopBehind  StopKind = "behind"  // this device lacks records of its own, and they could not be had back
	StopRefused StopKind = "refused" // the centre refused a record or the device
	StopRevoked StopKind = "revoked" // the centre does not take the device's credential
	StopGate    StopKind = "gate"    // a gate's key or receipt does not hold
	StopCentre  StopKind = "centre"  // what answers is not the centre
	StopDisk    StopKind = "disk"    // the device's own records cannot be read
)

// Stop is an outcome that trying again does not change: somebody has to act. Its text is for people.
type Stop struct {
	Kind StopKind
	Text string
}

func (s *Stop) Error() string { return s.Text }

// Waiting is the error of a Sync that ended with records waiting.
type Waiting struct {
	Records uint64
	Since   events.Millis // when the first of them was written
	Zone    int           // offset from UTC in minutes, of Since
	Cause   error         // why they wait
}

func (w *Waiting) Error() string {
	return fmt.Sprintf("%d waiting since %s: %s", w.Records, w.Since.In(w.Zone).Format("2006-01-02 15:04"), Why(w.Cause))
}

func (w *Waiting) Unwrap() error { return w.Cause }

// Why is the reason that people read for an outcome: short where it is one that they know, the error's own words where
// it is not.
func Why(err error) string {
	var stop *Stop
	if errors.As(err, &stop) {
		return stop.Text
	}
	for _, known := range []error{ErrNoNetwork, ErrNoCentre, ErrNoGate, ErrNoAnswer, ErrCut, ErrBusy} {
		if errors.Is(err, known) {
			return known.Error()
		}
	}
	if err == nil {
		return notSent
	}
	return err.Error()
}

// notSent is why records wait that nobody has tried to send yet.
const notSent = "not sent yet"

// stopped tells whether err is a Stop.
func stopped(err error) bool {
	var stop *Stop
	return errors.As(err, &stop)
}

// refusedConnection tells whether the other side's machine answered that nobody listens there.
func refusedConnection(err error) bool { return errors.Is(err, syscall.ECONNREFUSED) }
