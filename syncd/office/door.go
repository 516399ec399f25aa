package office

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"net"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"ullage/syncd/trust/access"
	"ullage/syncd/trust/people"
)

// door lets browsers in: by a name and a password, or by a link that works once; from then on by a cookie. Links and
// cookies are kept as hashes, in memory only: a new start of the centre closes the door to all.
type door struct {
	now func() time.Time

	mu       sync.Mutex             // guards both
	tickets  map[[32]byte]time.Time // until when they hold
	sessions map[[32]byte]*session
}

// session is a browser that is in.
type session struct {
	guest
	proof       string // that a form came from a page of this session
	began, last time.Time
}

const (
	ticketLasts  = time.Hour
	sessionLasts = 12 * time.Hour
	idleLasts    = 2 * time.Hour // without a request
	mostTickets  = 1000          // then the one that ends first makes room
	mostSessions = 16            // of one name; then the one that was idle for longest makes room
)

func newDoor() *door {
	return &door{now: time.Now, tickets: map[[32]byte]time.Time{}, sessions: map[[32]byte]*session{}}
}

// newSecret makes a secret of 256 random bits, and what is kept of it.
func newSecret() (secret string, key [32]byte) {
	var b [32]byte
	rand.Read(b[:]) // never fails: crypto/rand ends the program instead
	secret = hex.EncodeToString(b[:])
	return secret, sha256.Sum256([]byte(secret))
}

func (d *door) ticket() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	now := d.now()
	var first [32]byte
	for key, until := range d.tickets {
		if !now.Before(until) {
			delete(d.tickets, key)
		} else if end, ok := d.tickets[first]; !ok || until.Before(end) {
			first = key
		}
	}
	if len(d.tickets) >= mostTickets {
		delete(d.tickets, first)
	}
	secret, key := newSecret()
	d.tickets[key] = now.Add(ticketLasts)
	return secret
}

// take takes a ticket, which holds once.
func (d *door) take(ticket string) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	key := sha256.Sum256([]byte(ticket))
	until, ok := d.tickets[key]
	delete(d.tickets, key)
	return ok && d.now().Before(until)
}

// open begins a session, and ends the one that the browser had.
func (d *door) open(g guest, before string) (cookie string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.sessions, sha256.Sum256([]byte(before)))
	now, own := d.now(), 0
	var idle [32]byte
	for key, s := range d.sessions {
		if !s.lasts(now) {
			delete(d.sessions, key)
			continue
		}
		if s.who != g.who {
			continue
		}
		own++
		if other, ok := d.sessions[idle]; !ok || s.last.Before(other.last) {
			idle = key
		}
	}
	if own >= mostSessions {
		delete(d.sessions, idle)
	}
	cookie, key := newSecret()
	proof, _ := newSecret()
	d.sessions[key] = &session{guest: g, proof: proof, began: now, last: now}
	return cookie
}

func (s *session) lasts(now time.Time) bool {
	return now.Before(s.began.Add(sessionLasts)) && now.Before(s.last.Add(idleLasts)) && s.holds()
}

// find finds the session of a cookie.
func (d *door) find(cookie string) (session, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	key := sha256.Sum256([]byte(cookie))
	s, ok := d.sessions[key]
	if !ok {
		return session{}, false
	}
	now := d.now()
	if !s.lasts(now) {
		delete(d.sessions, key)
		return session{}, false
	}
	s.last = now
	return *s, true
}

func (d *door) shut(cookie string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.sessions, sha256.Sum256([]byte(cookie)))
}

// Ticket makes the path of a link that lets one browser in, once, as an admin: who may have one may read the centre's
// folder, or is an admin already.
func (s *Server) Ticket() (string, error) {
	return s.newTicket(access.Entry{Who: whoLocal, Through: "start"})
}

func (s *Server) newTicket(e access.Entry) (string, error) {
	e.Act = access.LinkMade
	if err := s.tell(e); err != nil {
		return "", err
	}
	return "/in?ticket=" + s.door.ticket(), nil
}

// cookieName has the port in it, for a browser gives a cookie to every port of a host, and this machine may have more
// than one centre. Under TLS a browser takes a name with this beginning only from this very host, and only so.
func cookieName(r *http.Request) string {
	_, port, err := net.SplitHostPort(r.Host)
	if err != nil {
		port = "80"
		if r.TLS != nil {
			port = "443"
		}
	}
	if r.TLS != nil {
		return "__Host-ullage-office-" + port
	}
	return "ullage-office-" + port
}

func cookieOf(r *http.Request) string {
	c, err := r.Cookie(cookieName(r))
	if err != nil {
		return ""
	}
	return c.Value
}

// setCookie gives a browser a cookie; an empty one takes it away.
func setCookie(w http.ResponseWriter, r *http.Request, value string) {
	c := &http.Cookie{
		Name: cookieName(r), Value: value, Path: "/", MaxAge: int(sessionLasts / time.Second), Secure: r.TLS != nil, HttpOnly: true,
		SameSite: http.SameSiteStrictMode,
	}
	if value == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}

// letIn begins a session once the access journal has it.
func (s *Server) letIn(w http.ResponseWriter, r *http.Request, g guest) error {
	e := entryOf(r)
	e.Act, e.Who, e.Note = access.SignIn, g.who, "as "+g.role.String()
	if err := s.tell(e); err != nil {
		return err
	}
	setCookie(w, r, s.door.open(g, cookieOf(r)))
	return nil
}

// enter takes the ticket of a link for a session. It is the only GET that changes anything.
func (s *Server) enter(w http.ResponseWriter, r *http.Request) {
	ticket := r.URL.Query().Get("ticket")
	if s.door.take(ticket) {
		if err := s.letIn(w, r, guest{who: whoLink, role: people.Admin, holds: always}); err != nil {
			s.pageError(w, r, err)
			return
		}
	} else if _, in := s.door.find(cookieOf(r)); !in { // somebody inside, who opens an old link, is led on
		if ticket != "" && s.seldom.now("link") {
			e := entryOf(r)
			e.Act, e.Note = access.LinkRefused, "further ones are told "+seldomWords
			if err := s.tell(e); err != nil {
				s.pageError(w, r, err)
				return
			}
		}
		s.closed(w, http.StatusForbidden, closedPage{})
		return
	}
	// A page that leads on rather than a redirection: where the link stood on a page elsewhere, the browser would not
	// bring the strict cookie along to where it is redirected.
	w.Header().Set("Refresh", "0; url=/")
	s.render(w, http.StatusOK, "in", nil)
}

// closedPage is what the page says to somebody who is not in.
type closedPage struct {
	Name, To string
	Words    string // why somebody was not let in
	People   bool   // there is somebody who may sign in
}

func (s *Server) closed(w http.ResponseWriter, status int, p closedPage) {
	p.People = len(s.cfg.Book.People()) > 0
	s.render(w, status, "closed", p)
}

// pathWithin is what of our own pages can be gone on to after signing in.
var pathWithin = regexp.MustCompile(`^(/|(/[A-Za-z0-9_-]+)+)$`)

// signIn lets somebody in by name and password.
func (s *Server) signIn(w http.ResponseWriter, r *http.Request) {
	name, to := r.PostFormValue("name"), r.PostFormValue("to")
	if !pathWithin.MatchString(to) {
		to = "/"
	}
	pass, err := s.cfg.Book.SignIn(r.Context(), name, []byte(r.PostFormValue("password")))
	if err == nil {
		g := guest{who: "person:" + pass.Name, role: pass.Role, holds: func() bool { return s.cfg.Book.Holds(pass) }}
		if err = s.letIn(w, r, g); err == nil {
			http.Redirect(w, r, to, http.StatusSeeOther)
			return
		}
		s.pageError(w, r, err)
		return
	}
	status := http.StatusForbidden
	var wait *people.WaitError
	switch {
	case errors.Is(err, people.ErrSignIn):
		e := entryOf(r)
		e.Act, e.Note = access.SignInRefused, "wrong password"
		var known bool
		if e.About, known = s.cfg.Book.Known(name); !known {
			e.Note = "nobody has that name"
		}
		if told := s.tell(e); told != nil {
			s.pageError(w, r, told)
			return
		}
	case errors.As(err, &wait):
		status = http.StatusTooManyRequests
		w.Header().Set("Retry-After", strconv.Itoa(int((wait.Wait+time.Second-1)/time.Second)))
	case errors.Is(err, people.ErrBusy):
		status = http.StatusServiceUnavailable
	default:
		s.pageError(w, r, err)
		return
	}
	s.closed(w, status, closedPage{Name: name, To: to, Words: sentence(err.Error())})
}

// signOut ends a session, whether it can be told or not.
func (s *Server) signOut(w http.ResponseWriter, r *http.Request) {
	s.door.shut(cookieOf(r))
	setCookie(w, r, "")
	e := entryOf(r)
	e.Act = access.SignOut
	if err := s.tell(e); err != nil {
		s.pageError(w, r, err)
		return
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// pageYou says who somebody is here, and lets them out.
func (s *Server) pageYou(w http.ResponseWriter, r *http.Request) {
	v := visitOf(r.Context())
	_, name, _ := strings.Cut(v.who, ":")
	s.render(w, http.StatusOK, "you", struct {
		Name, Role, Proof string
	}{name, v.role.String(), v.proof})
}
