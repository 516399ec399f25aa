package office

import (
	"errors"
	"net/http"
)

// getBackup gives out a backup. It has every key of the centre: so it goes to nobody but who can read them in the centre's
// folder anyway.
func (s *Server) getBackup(w http.ResponseWriter, r *http.Request) {
	if visitOf(r.Context()).who != whoLocal {
		s.fail(w, r, asked{http.StatusForbidden, errors.New("a backup has the keys of the centre: it is made on its own machine, with ullage-syncd backup")})
		return
	}
	to := &slowly{w: w, control: http.NewResponseController(w), holds: visitOf(r.Context()).holds}
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("Cache-Control", "no-store")
	switch err := s.cfg.Backup(r.Context(), to); {
	case err == nil:
	case !to.begun:
		s.fail(w, r, err)
	default: // its last frame is missing, and it is none
		s.words(r, err)
		panic(http.ErrAbortHandler)
	}
}
