package office

import (
	"context"
	"net/http"
)

// State is how something stands.
type State string

// The states.
const (
	Good   State = "good"
	Attend State = "attend" // it works, and wants somebody's attention
	Bad    State = "bad"
)

// Finding is how one thing at the centre stands, in plain words.
type Finding struct {
	What  string `json:"what"`
	State State  `json:"state"`
	Say   string `json:"say"`
	Do    string `json:"do,omitempty"` // empty where all is well
}

func (s *Server) getCheck(r *http.Request, _ question) (any, error) {
	return map[string]any{"findings": s.cfg.Check(r.Context())}, nil
}

// Checker looks after the centre.
type Checker func(context.Context) []Finding
