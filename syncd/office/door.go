package office

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"sync"
	"time"
)

// door lets a browser in: by a link that works once, and from then on by a cookie.
type door struct{ state *doorState }

type doorState struct {
	mu      sync.Mutex // guards both; tokens are kept as hashes
	tickets map[[32]byte]time.Time
	visits  map[[32]byte]time.Time // until when
}

const (
	ticketLasts = 24 * time.Hour
	visitLasts  = 12 * time.Hour
	mostVisits  = 1000
	cookieName  = "ullage-office"
)

func newDoor() door {
	return door{&doorState{tickets: map[[32]byte]time.Time{}, visits: map[[32]byte]time.Time{}}}
}

func newSecret() string {
	var b [32]byte
	rand.Read(b[:]) // never fails: crypto/rand ends the program instead
	return hex.EncodeToString(b[:])
}

// Ticket makes the path of a link that lets one browser in, once.
func (s *Server) Ticket() string {
	ticket := newSecret()
	d := s.door.state
	d.mu.Lock()
	defer d.mu.Unlock()
	d.tickets[sha256.Sum256([]byte(ticket))] = time.Now().Add(ticketLasts)
	return "/in?ticket=" + ticket
}

// enter takes a ticket for a cookie.
func (s *Server) enter(w http.ResponseWriter, r *http.Request) {
	sum := sha256.Sum256([]byte(r.URL.Query().Get("ticket")))
	visit := newSecret()
	now := time.Now()
	d := s.door.state
	d.mu.Lock()
	until, ok := d.tickets[sum]
	delete(d.tickets, sum)
	if ok = ok && now.Before(until); ok {
		for v, end := range d.visits {
			if now.After(end) || len(d.visits) >= mostVisits {
				delete(d.visits, v)
			}
		}
		d.visits[sha256.Sum256([]byte(visit))] = now.Add(visitLasts)
	}
	d.mu.Unlock()
	if !ok {
		s.closed(w)
		return
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName, Value: visit, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: int(visitLasts / time.Second)})
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// inside lets those with a cookie pass.
func (s *Server) inside(next http.HandlerFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c, err := r.Cookie(cookieName)
		if err == nil {
			d := s.door.state
			d.mu.Lock()
			until, ok := d.visits[sha256.Sum256([]byte(c.Value))]
			d.mu.Unlock()
			if ok && time.Now().Before(until) {
				next(w, r)
				return
			}
		}
		s.closed(w)
	})
}

// closed says how to get in.
func (s *Server) closed(w http.ResponseWriter) {
	w.WriteHeader(http.StatusForbidden)
	s.render(w, "closed", nil)
}
