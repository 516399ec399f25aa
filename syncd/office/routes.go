package office

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"ullage/events"
	"ullage/syncd/trust/access"
	"ullage/syncd/trust/people"
)

// route is one thing that can be asked, and what it needs. There is no other way to answer at the office's address than
// to be in the table of routes, and Handler refuses a route that says nothing of its needs.
//
// What begins with /api/ is for programs: they show a token with each request, and a cookie counts for nothing there.
// All else is for browsers: they show the cookie of a session, and what changes anything must come from a page of that
// session, which puts the session's proof into its forms.
type route struct {
	pattern string      // of http.ServeMux
	area    string      // of the API, for tokens that are for some areas only; of "" for none of them in particular
	needs   people.Role // at least
	open    bool        // to everybody; needs is nothing then
	serve   http.HandlerFunc
}

func (rt route) forPrograms() bool { return strings.Contains(rt.pattern, "/api/") }

// guest is somebody who was let in.
type guest struct {
	who   string // as the access journal has it
	role  people.Role
	areas []string    // none: all
	holds func() bool // whether they still are
}

// Guests without a name.
const (
	whoLocal = "local" // with the token of the centre's folder
	whoLink  = "link"
)

func always() bool { return true }

// visit is one request of a guest, or of somebody who is none.
type visit struct {
	guest
	proof         string // of the session, at the pages
	from, through string
	reads         reads
}

type visitKey struct{}

// visitOf gives the visit that a request is; each one behind guard has one.
func visitOf(ctx context.Context) *visit { return ctx.Value(visitKey{}).(*visit) }

// entryOf begins a line of the access journal about a request.
func entryOf(r *http.Request) access.Entry {
	v := visitOf(r.Context())
	return access.Entry{Who: v.who, From: v.from, Through: v.through}
}

// tell writes a line of the access journal. Where it cannot be written, what it tells must not happen.
func (s *Server) tell(e access.Entry) error {
	if err := s.cfg.Access.Append(e); err != nil {
		return untold{err}
	}
	return nil
}

// untold is the error of a line that could not be written.
type untold struct{ error }

func (u untold) Unwrap() error { return u.error }

const untoldWords = "this is refused, because the access journal cannot be written at the moment; the centre's log says why"

// guard lets those in whom a route lets in.
func (s *Server) guard(rt route) http.Handler {
	if rt.open != (rt.needs == 0) || rt.forPrograms() && rt.open {
		panic("office: the route " + rt.pattern + " does not say whom it lets in") // it is our own
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := &visit{through: r.Method + " " + r.URL.Path, from: r.RemoteAddr}
		if host, _, err := net.SplitHostPort(r.RemoteAddr); err == nil {
			v.from = host
		}
		r = r.WithContext(context.WithValue(r.Context(), visitKey{}, v))
		told := &toldWriter{ResponseWriter: w, server: s, visit: v, forPrograms: rt.forPrograms()}
		if rt.forPrograms() {
			s.guardProgram(rt, v, told, r)
		} else {
			s.guardBrowser(rt, v, told, r)
		}
	})
}

func (s *Server) guardProgram(rt route, v *visit, w http.ResponseWriter, r *http.Request) {
	g, err := s.guestOfToken(r)
	if err != nil {
		if errors.As(err, new(asked)) {
			w.Header().Set("WWW-Authenticate", "Bearer")
		}
		s.fail(w, r, err)
		return
	}
	v.guest = g
	if len(g.areas) > 0 && rt.area != "" && !slices.Contains(g.areas, rt.area) {
		s.fail(w, r, asked{http.StatusForbidden, fmt.Errorf("this token is for %s only, and not for %s", strings.Join(g.areas, ", "), rt.area)})
		return
	}
	if !g.role.Covers(rt.needs) {
		s.fail(w, r, needs(rt, g))
		return
	}
	if n := len(s.cfg.Alarms.Pending()); n > 0 {
		w.Header().Set(alarmsHeader, strconv.Itoa(n))
	}
	rt.serve(w, r)
}

func needs(rt route, g guest) error {
	return asked{http.StatusForbidden, fmt.Errorf("this needs the role %s, and yours is %s", rt.needs, g.role)}
}

// guestOfToken finds who shows a token: that of the centre's folder, or one that was made.
func (s *Server) guestOfToken(r *http.Request) (guest, error) {
	refused := func(err error) (guest, error) { return guest{}, asked{http.StatusUnauthorized, err} }
	secret, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !ok {
		return refused(errors.New("a token is needed: Authorization: Bearer TOKEN; that of a centre on this machine stands in the file token of its folder"))
	}
	got, want := sha256.Sum256([]byte(secret)), sha256.Sum256([]byte(s.cfg.Token))
	if subtle.ConstantTimeCompare(got[:], want[:]) == 1 {
		return guest{who: whoLocal, role: people.Admin, holds: always}, nil
	}
	pass, err := s.cfg.Book.LetIn(secret)
	if expired := (*people.ExpiredError)(nil); errors.As(err, &expired) && s.seldom.now("token:"+expired.Name) {
		e := entryOf(r)
		e.Act, e.About, e.Note = access.TokenExpired, expired.Name, "further uses are told "+seldomWords
		if err := s.tell(e); err != nil {
			return guest{}, err
		}
	}
	if err != nil {
		return refused(err)
	}
	return guest{who: "token:" + pass.Name, role: pass.Role, areas: pass.Areas, holds: func() bool { return s.cfg.Book.Holds(pass) }}, nil
}

func (s *Server) guardBrowser(rt route, v *visit, w http.ResponseWriter, r *http.Request) {
	changes := r.Method != http.MethodGet && r.Method != http.MethodHead
	if changes {
		r.Body = http.MaxBytesReader(w, r.Body, maxQuestion)
		if !sameOrigin(r) {
			s.pageError(w, r, asked{http.StatusForbidden, errors.New("this did not come from a page of this centre")})
			return
		}
		if err := r.ParseForm(); err != nil {
			if !errors.As(err, new(*http.MaxBytesError)) {
				err = bad("the form cannot be read: %w", err)
			}
			s.pageError(w, r, err)
			return
		}
	}
	if rt.open {
		rt.serve(w, r)
		return
	}
	in, ok := s.door.find(cookieOf(r))
	if !ok {
		to := "/"
		if !changes {
			to = r.URL.Path
		}
		s.closed(w, http.StatusForbidden, closedPage{To: to})
		return
	}
	v.guest, v.proof = in.guest, in.proof
	if changes && subtle.ConstantTimeCompare([]byte(r.PostForm.Get("proof")), []byte(in.proof)) != 1 {
		s.pageError(w, r, asked{http.StatusForbidden, errors.New("this form is not of your present visit; open its page again")})
		return
	}
	if !in.role.Covers(rt.needs) {
		s.pageError(w, r, needs(rt, in.guest))
		return
	}
	rt.serve(w, r)
}

// sameOrigin tells whether a browser says that a request comes from a page of this address. Browsers say it with every
// form, in at least one of two ways.
func sameOrigin(r *http.Request) bool {
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	site, origin := r.Header.Get("Sec-Fetch-Site"), r.Header.Get("Origin")
	return (site != "" || origin != "") && (site == "" || site == "same-origin") && (origin == "" || origin == scheme+"://"+r.Host)
}

// reads are the pieces of evidence that a visit has read.
type reads struct {
	all   map[events.Digest]bool
	fresh []string // those that the access journal does not have yet
}

// toldWriter lets nothing out before the access journal has what was read for it. So no handler can forget it, and an
// answer of many parts is told part by part.
type toldWriter struct {
	http.ResponseWriter
	server      *Server
	visit       *visit
	forPrograms bool
	begun       bool
	failed      error
}

// Unwrap is for http.ResponseController.
func (t *toldWriter) Unwrap() http.ResponseWriter { return t.ResponseWriter }

func (t *toldWriter) settle() error {
	v := t.visit
	if len(v.reads.fresh) == 0 || t.failed != nil {
		return t.failed
	}
	t.failed = t.server.tell(access.Entry{Act: access.EvidenceRead, Who: v.who, From: v.from, Through: v.through, Digests: v.reads.fresh})
	v.reads.fresh = nil
	if t.failed != nil {
		t.server.cfg.Log.Error("office: "+v.through, "error", t.failed)
	}
	return t.failed
}

func (t *toldWriter) WriteHeader(status int) {
	if t.begun {
		t.ResponseWriter.WriteHeader(status) // which says what is wrong
		return
	}
	t.begun = true
	if t.settle() == nil {
		t.ResponseWriter.WriteHeader(status)
		return
	}
	kind, words := "text/plain; charset=utf-8", sentence(untoldWords)+"\n"
	if t.forPrograms {
		kind, words = "application/json", fmt.Sprintf("{\"error\":%q}\n", untoldWords)
	}
	t.Header().Set("Content-Type", kind)
	t.ResponseWriter.WriteHeader(http.StatusServiceUnavailable)
	t.ResponseWriter.Write([]byte(words)) // who does not listen does not miss it
}

func (t *toldWriter) Write(p []byte) (int, error) {
	if !t.begun {
		t.WriteHeader(http.StatusOK)
	}
	if err := t.settle(); err != nil {
		return 0, err
	}
	return t.ResponseWriter.Write(p)
}
