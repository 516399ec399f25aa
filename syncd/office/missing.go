package office

import (
	"net/http"

	"ullage/events"
)

// Missing is what RECORDS has had and has no more.
type Missing struct {
	Missing []MissingRange `json:"missing"` // by device and number
	Looked  *string        `json:"looked"`  // when that was found, RFC 3339; null before the first look
}

// MissingRange are records of a device.
type MissingRange struct {
	Device events.DeviceID `json:"device"`
	From   events.Seq      `json:"from"`
	To     events.Seq      `json:"to"` // the last of them
}

func (s *Server) getMissing(*http.Request, question) (any, error) { return s.cfg.Missing(), nil }
