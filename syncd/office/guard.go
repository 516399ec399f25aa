package office

import (
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"net"
	"net/http"
	"strconv"
	"strings"
)

// Guard refuses what a page from elsewhere, whose name somebody has pointed here, could make a browser ask, and sets
// the headers that keep a browser from doing more with an answer than show it.
func Guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; form-action 'none'; frame-ancestors 'none'; base-uri 'none'")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if !thisMachine(r.Host) {
			http.Error(w, "this address is for this machine only: 127.0.0.1 or localhost", http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// thisMachine tells whether a request calls us by a name of this machine alone.
func thisMachine(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	switch host {
	case "127.0.0.1", "localhost", "::1", "[::1]":
		return true
	}
	return false
}

// withToken lets those pass who show the token.
func (s *Server) withToken(next http.HandlerFunc) http.Handler {
	want := sha256.Sum256([]byte(s.cfg.Token))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
		got := sha256.Sum256([]byte(token))
		if !ok || subtle.ConstantTimeCompare(got[:], want[:]) != 1 {
			w.Header().Set("WWW-Authenticate", "Bearer")
			s.fail(w, r, asked{http.StatusUnauthorized, errors.New("the token is missing or wrong; it stands in the file token of the centre's folder")})
			return
		}
		if n := len(s.cfg.Alarms.Pending()); n > 0 {
			w.Header().Set(alarmsHeader, strconv.Itoa(n))
		}
		next(w, r)
	})
}
