package office

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"net"
	"net/http"
	"sync"
	"time"
)

// door lets a browser in: by a link that works once, and from then on by a cookie. Both are kept as hashes, in memory
// only: a new start of the centre closes the door to all.
type door struct {
	now func() time.Time

	mu      sync.Mutex // guards both: until when they hold
	tickets map[[32]byte]time.Time
	visits  map[[32]byte]time.Time
}

const (
	ticketLasts = time.Hour
	visitLasts  = 12 * time.Hour
	mostInside  = 1000 // of either; then the one that ends first makes room
)

func newDoor() *door {
	return &door{now: time.Now, tickets: map[[32]byte]time.Time{}, visits: map[[32]byte]time.Time{}}
}

// give makes a secret and lets it hold for a while.
func (d *door) give(list map[[32]byte]time.Time, lasts time.Duration) string {
	var b [32]byte
	rand.Read(b[:]) // never fails: crypto/rand ends the program instead
	secret := hex.EncodeToString(b[:])
	now := d.now()
	for key, until := range list {
		if !now.Before(until) {
			delete(list, key)
		}
	}
	if len(list) >= mostInside {
		var first [32]byte
		for key, until := range list {
			if end, ok := list[first]; !ok || until.Before(end) {
				first = key
			}
		}
		delete(list, first)
	}
	list[sha256.Sum256([]byte(secret))] = now.Add(lasts)
	return secret
}

func (d *door) ticket() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.give(d.tickets, ticketLasts)
}

// enter takes a ticket for a visit.
func (d *door) enter(ticket string) (visit string, ok bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	key := sha256.Sum256([]byte(ticket))
	until, ok := d.tickets[key]
	delete(d.tickets, key)
	if !ok || !d.now().Before(until) {
		return "", false
	}
	return d.give(d.visits, visitLasts), true
}

func (d *door) inside(visit string) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	until, ok := d.visits[sha256.Sum256([]byte(visit))]
	return ok && d.now().Before(until)
}

// Ticket makes the path of a link that lets one browser in, once.
func (s *Server) Ticket() string { return "/in?ticket=" + s.door.ticket() }

// cookieName has the port in it, for a browser gives a cookie to every port of a host, and this machine may have more
// than one centre.
func cookieName(r *http.Request) string {
	_, port, err := net.SplitHostPort(r.Host)
	if err != nil {
		port = "80"
	}
	return "ullage-office-" + port
}

// enter takes the ticket of a link for a cookie. It is the only GET that changes anything.
func (s *Server) enter(w http.ResponseWriter, r *http.Request) {
	visit, ok := s.door.enter(r.URL.Query().Get("ticket"))
	switch {
	case ok:
		http.SetCookie(w, &http.Cookie{
			Name: cookieName(r), Value: visit, Path: "/", MaxAge: int(visitLasts / time.Second), HttpOnly: true, SameSite: http.SameSiteStrictMode,
		})
	case !s.isInside(r): // somebody inside, who opens an old link, is led on
		s.closed(w)
		return
	}
	// A page that leads on rather than a redirection: where the link stood on a page elsewhere, the browser would not
	// bring the strict cookie along to where it is redirected.
	w.Header().Set("Refresh", "0; url=/")
	s.render(w, http.StatusOK, "in", nil)
}

func (s *Server) isInside(r *http.Request) bool {
	c, err := r.Cookie(cookieName(r))
	return err == nil && s.door.inside(c.Value)
}

// inside lets those with a cookie pass.
func (s *Server) inside(next http.HandlerFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !s.isInside(r) {
			s.closed(w)
			return
		}
		next(w, r)
	})
}

// closed says how to get in.
func (s *Server) closed(w http.ResponseWriter) { s.render(w, http.StatusForbidden, "closed", nil) }
