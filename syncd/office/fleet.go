package office

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/syncd/trust"
	"ullage/syncd/trust/people"
)

// Fleet is the devices that may write, or might once, as the office looks at them and decides about them.
type Fleet struct {
	Devices func(context.Context) ([]FleetDevice, error)
	// Revoke ends a device's right to bring records. Revoking twice is revoking once. Its error wraps trust.ErrDevice
	// where there is no such device, and ErrOwn where it is this centre's own.
	Revoke func(ctx context.Context, device events.DeviceID, d Decision) error
	Aside  func(context.Context) ([]AsidePush, error)
	// Admit lets in what was set aside of a device, up to a record, or all of it where to is 0. It can be repeated.
	Admit func(ctx context.Context, device events.DeviceID, to events.Seq, d Decision) (Admitted, error)
	// AdmitOne lets in one held record.
	AdmitOne func(ctx context.Context, device events.DeviceID, seq events.Seq, d Decision) (Admitted, error)
	Heirs    func() []Heir
	Forks    func(context.Context) ([]Fork, error)
	// Settle says which branch of a device counts. Where that is so already nothing is done. Its error wraps ErrNoBranch
	// where there is no such branch, or where more than one is meant.
	Settle func(ctx context.Context, device events.DeviceID, branch string, d Decision) error
	// Unsettle takes back what was settled about a device, and tells how many decisions that were.
	Unsettle func(ctx context.Context, device events.DeviceID, d Decision) (int, error)
	// LetIn lets in an heir. Letting in twice is letting in once. Its error wraps trust.ErrDevice where there is none.
	LetIn func(ctx context.Context, heir events.DeviceID, d Decision) error
}

// Heir is an identity by which a copy of a device goes on that has forked.
type Heir struct {
	Device events.DeviceID `json:"device"`
	Parent events.DeviceID `json:"parent"`
	Waits  bool            `json:"waits"` // for the office to let it in
}

// Fork is a device of which two copies have written, and where their histories part.
type Fork struct {
	Device   events.DeviceID `json:"device"`
	Seq      events.Seq      `json:"seq"` // of the first records that differ
	Settled  bool            `json:"settled"`
	Branches []ForkBranch    `json:"branches"` // the one that came first is first
}

// ForkBranch is one of the histories behind a parting, with all that goes on from it.
type ForkBranch struct {
	Branch   string      `json:"branch"` // its name: the fork's seq, a hyphen, and the first digits of link
	Link     events.Hash `json:"link"`   // of the chain at the fork's seq
	State    string      `json:"state"`  // stands, overruled, waits
	From     events.Seq  `json:"from"`
	To       events.Seq  `json:"to"`
	Records  int         `json:"records"`
	First    *string     `json:"first"`    // when the first of them happened, as stated
	Last     *string     `json:"last"`     // and the last
	Received *string     `json:"received"` // when the first of them was
}

// The states of a branch.
const (
	BranchStands    = "stands"
	BranchOverruled = "overruled" // another one stands
	BranchWaits     = "waits"     // for the office to settle it
)

// ErrNoBranch is in the errors of Settle about a branch that there is not.
var ErrNoBranch = errors.New("there is no such branch")

// Decision is why, and by whom, the office decides something.
type Decision struct {
	Why string           `json:"why"`
	By  events.StaffCode `json:"by"`
}

// ErrOwn is in the errors about a centre's own device, where only another's can be meant.
var ErrOwn = errors.New("it is this centre's own device")

// ErrForked is in the errors about what is set aside of a device of which two copies write.
var ErrForked = errors.New("two copies of it write, so that not everything of it can count")

// ErrNoneHeld is in the errors of AdmitOne about a record that is not held.
var ErrNoneHeld = errors.New("no such record is held")

// FleetDevice is one device. What is not known is null.
type FleetDevice struct {
	Device   events.DeviceID `json:"device"`
	Office   bool            `json:"office"`
	Enrolled *string         `json:"enrolled"` // by the centre's clock
	Key      string          `json:"key"`      // SHA-256 of the public key that seals now
	Records  events.Seq      `json:"records"`  // that were received
	Received *string         `json:"received"` // when the last of them were
	Revoked  *string         `json:"revoked"`
	Why      string          `json:"why,omitempty"` // it was revoked
	Forked   bool            `json:"forked"`        // two copies of it write: nothing more is taken under its name
}

// AsidePush is a push that was set aside.
type AsidePush struct {
	Device   events.DeviceID `json:"device"`
	From     events.Seq      `json:"from"`
	To       events.Seq      `json:"to"`
	Received string          `json:"received"`
	Why      string          `json:"why"`
	Admitted bool            `json:"admitted"`
}

// Admitted is what became of what should be let in.
type Admitted struct {
	Admitted int          `json:"admitted"` // records that were let in now
	Before   int          `json:"before"`   // that were let in before
	Held     []HeldRecord `json:"held"`     // that stay held, each for its own reason
}

// HeldRecord is a record that is held.
type HeldRecord struct {
	Device   events.DeviceID `json:"device"`
	Seq      events.Seq      `json:"seq"`
	Kind     events.Kind     `json:"kind,omitempty"`
	Received *string         `json:"received,omitempty"`
	Why      string          `json:"why"`
}

// fleet has the routes of the fleet.
func (s *Server) fleet(program func(method, path string, needs people.Role, h http.HandlerFunc),
	ask func(path string, needs people.Role, h func(*http.Request, question) (any, error), may ...string)) {
	ask("devices", people.Auditor, func(r *http.Request, _ question) (any, error) {
		list, err := s.cfg.Fleet.Devices(r.Context())
		return map[string]any{"devices": list}, err
	})
	ask("aside", people.Auditor, func(r *http.Request, _ question) (any, error) {
		list, err := s.cfg.Fleet.Aside(r.Context())
		return map[string]any{"aside": list}, err
	})
	ask("held", people.Auditor, s.getHeld, "device")
	ask("forks", people.Auditor, func(r *http.Request, _ question) (any, error) {
		forks, err := s.cfg.Fleet.Forks(r.Context())
		return map[string]any{"forks": forks, "heirs": s.cfg.Fleet.Heirs()}, err
	})
	program("POST", "forks", people.Office, s.answer(s.postFork))
	program("POST", "heirs", people.Office, s.answer(s.postHeir))
	program("POST", "revoke", people.Office, s.answer(s.postRevoke))
	program("POST", "admit", people.Office, s.answer(s.postAdmit))
}

// getHeld lists what is held and was not let in.
func (s *Server) getHeld(r *http.Request, q question) (any, error) {
	list, err := s.audit(r.Context(), audit.Query{Device: events.DeviceID(q["device"])}, projections.Now)
	if err != nil {
		return nil, err
	}
	held := []HeldRecord{}
	for _, row := range list.Records {
		if row.Held != "" {
			held = append(held, HeldRecord{row.Device, row.Seq, row.Kind, row.Received, row.Held})
		}
	}
	return map[string]any{"held": held}, nil
}

// decision is the body of a request that decides something.
type decision struct {
	Device events.DeviceID `json:"device"`
	To     events.Seq      `json:"to"`
	Seq    events.Seq      `json:"seq"`
	Branch string          `json:"branch"`
	Undo   bool            `json:"undo"`
	Decision
}

// whole tells whether the decision is about a device as a whole.
func (d *decision) whole() bool { return d.To == 0 && d.Seq == 0 && d.Branch == "" && !d.Undo }

func readDecision(r *http.Request, form string) (d decision, err error) {
	in := json.NewDecoder(http.MaxBytesReader(nil, r.Body, maxQuestion))
	in.DisallowUnknownFields()
	if err := in.Decode(&d); err != nil || in.Decode(&struct{}{}) != io.EOF {
		return d, bad("the request is an object like %s", form)
	}
	if err := events.CheckIdentifier(string(d.Device)); err != nil {
		return d, bad("device: %w", err)
	}
	if d.Why == "" {
		return d, bad("why is missing: the decision is recorded with its reason")
	}
	if d.By != "" {
		if err := events.CheckIdentifier(string(d.By)); err != nil {
			return d, bad("by: %w", err)
		}
	}
	return d, nil
}

func (s *Server) postRevoke(r *http.Request) (any, error) {
	d, err := readDecision(r, `{"device":"tab-1","why":"stolen","by":"O1"}`)
	if err != nil {
		return nil, err
	}
	if !d.whole() {
		return nil, bad("a device is revoked as a whole; leave the rest out")
	}
	if err := s.decided(s.cfg.Fleet.Revoke(r.Context(), d.Device, d.Decision)); err != nil {
		return nil, err
	}
	return map[string]any{"revoked": d.Device}, nil
}

func (s *Server) postHeir(r *http.Request) (any, error) {
	d, err := readDecision(r, `{"device":"tab-1-0a1b2c3d","why":"the copy in the depot","by":"O1"}`)
	if err != nil {
		return nil, err
	}
	if !d.whole() {
		return nil, bad("a device is let in as a whole; leave the rest out")
	}
	if err := s.decided(s.cfg.Fleet.LetIn(r.Context(), d.Device, d.Decision)); err != nil {
		return nil, err
	}
	return map[string]any{"let_in": d.Device}, nil
}

func (s *Server) postFork(r *http.Request) (any, error) {
	d, err := readDecision(r, `{"device":"tab-1","branch":"41-0a1b2c3d","why":"the tablet that was in use","by":"O1"}, or with undo for branch`)
	if err != nil {
		return nil, err
	}
	if d.To != 0 || d.Seq != 0 || (d.Branch == "") != d.Undo {
		return nil, bad("give the branch that counts, or undo; leave to and seq out")
	}
	if d.Undo {
		n, err := s.cfg.Fleet.Unsettle(r.Context(), d.Device, d.Decision)
		return map[string]any{"undone": n}, s.decided(err)
	}
	return map[string]any{"settled": d.Branch}, s.decided(s.cfg.Fleet.Settle(r.Context(), d.Device, d.Branch, d.Decision))
}

func (s *Server) postAdmit(r *http.Request) (any, error) {
	d, err := readDecision(r, `{"device":"tab-1","to":120,"why":"the tablet was found","by":"O1"}, or with seq for one held record`)
	if err != nil {
		return nil, err
	}
	if d.To != 0 && d.Seq != 0 || d.Branch != "" || d.Undo {
		return nil, bad("to is for what was set aside, seq for one record; give one of them")
	}
	var a Admitted
	if d.Seq != 0 {
		a, err = s.cfg.Fleet.AdmitOne(r.Context(), d.Device, d.Seq, d.Decision)
	} else {
		a, err = s.cfg.Fleet.Admit(r.Context(), d.Device, d.To, d.Decision)
	}
	if a.Held == nil {
		a.Held = []HeldRecord{}
	}
	return a, s.decided(err)
}

// decided turns what can be wrong with a decision into the asker's words.
func (s *Server) decided(err error) error {
	var kept *NotReceivedError
	switch {
	case errors.Is(err, trust.ErrDevice), errors.Is(err, ErrNoneHeld), errors.Is(err, ErrNoBranch):
		return asked{http.StatusNotFound, err}
	case errors.Is(err, ErrOwn), errors.Is(err, ErrForked):
		return asked{http.StatusConflict, err}
	case errors.As(err, &kept):
		s.cfg.Log.Error("office: a decision is not received yet", "error", err)
		return asked{http.StatusServiceUnavailable, err}
	}
	return err
}
