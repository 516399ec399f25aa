package machine

import (
	"ullage/events"
	"ullage/projections"
)

// State is what stands at a machine. Its JSON is the command's.
type State struct {
	Machine     events.MachineID      `json:"machine"`
	Site        events.SiteID         `json:"site"`
	AsOf        *string               `json:"as_of"` // null where it is not bounded, as is KnownAt
	KnownAt     *string               `json:"known_at"`
	VolumeL     *Volume               `json:"volume_l"`      // the bath's, as last measured; null where it never was
	FlowsSinceL *projections.Measured `json:"flows_since_l"` // what went into the bath since, less what left it
	Readings    map[string]Reading    `json:"readings"`      // by quantity; quantity@of where not of the bath
	Parts       map[string]Part       `json:"parts"`         // by position
	OpenFaults  []Fault               `json:"open_faults"`
	Records     int                   `json:"records"` // in any state
	Retired     bool                  `json:"retired,omitempty"`
}

// Volume is a measured volume in litres.
type Volume struct {
	Value projections.Amount `json:"value"`
	U     projections.Amount `json:"u"`
	Done  string             `json:"done"`
}

// Reading is the newest standing reading of a quantity, in the unit in which it was taken.
type Reading struct {
	Value float64     `json:"value"`
	Unit  string      `json:"unit"`
	U     *float64    `json:"u,omitempty"`
	Limit events.Word `json:"limit,omitempty"` // the true value lies below or above Value
	Done  string      `json:"done"`
	Visit *string     `json:"visit"`
}

// Part is what sits at a position.
type Part struct {
	Part   events.Code `json:"part"`
	Serial string      `json:"serial"`
	Since  string      `json:"since"`
}

// Fault is a fault that was found and not cleared.
type Fault struct {
	Record   string        `json:"record"` // its id
	Fault    string        `json:"fault"`
	Grade    *int64        `json:"grade"`
	Position events.Code   `json:"position"`
	Done     string        `json:"done"`
	Visit    *string       `json:"visit"`
	Text     string        `json:"text"` // evidence:<hex> for a longer one, until somebody who holds it puts it in
	Evidence events.Digest `json:"-"`
}
