// Package office is the office's side of the centre: what it records, what it asks, and the pages it looks at, over
// HTTP.
//
// The commands of ullage are clients of the API here. They show a token with each request: that of the centre's folder,
// whose reader owns the centre and is an admin, or one that an admin made. A browser is let in by name and password, or,
// as an admin, by a link that works once; from then on by a cookie. What each may do stands in one table (routes). The
// access journal is told of everybody who comes in or is refused, of each change of people and tokens, and of each piece
// of evidence that somebody reads, before it happens: where it cannot be written, it does not happen. (Evidence that is
// only compared, as when a line is recorded again, is not read by anybody.)
//
// A question is answered when the read model holds what the stream held when it was asked. Errors are JSON objects
// {"error": "..."} with a status that fits, and say what was wrong and what would be right; the log has what is the
// centre's own trouble.
package office

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"ullage/events"
	"ullage/events/entry"
	"ullage/events/wire"
	"ullage/projections/witness"
	"ullage/syncd/alarm"
	"ullage/syncd/dossier"
	"ullage/syncd/store"
	"ullage/syncd/stream"
	"ullage/syncd/trust/access"
	"ullage/syncd/trust/people"
)

// Limits of a request.
const (
	maxRecords  = 64 << 20 // bytes of entry lines in one call
	maxQuestion = 64 << 10
)

// Config is what the office's server works with. All of it must be set.
type Config struct {
	Token    string // of the centre's folder
	Book     *people.Book
	Access   *access.Journal
	Store    *store.Store
	Source   stream.Stream
	Recorder *Recorder
	Evidence entry.Evidence
	Public   PublicLog
	Erasures *Erasures
	Devices  func() []events.DeviceID // that are enrolled and not revoked, without the office's
	NewCode  func(name string) (wire.Code, error)
	Alarms   *alarm.Book
	Warning  string         // that stands on every page; empty: none does
	Missing  func() Missing // what RECORDS has lost and nobody has brought back yet
	Backup   func(context.Context, io.Writer) error
	Check    Checker
	Fleet    Fleet
	Dossiers *dossier.Maker
	Grants   Grants
	Log      *slog.Logger
}

// PublicLog is the public log, as far as the office asks it.
type PublicLog interface {
	witness.Log
	Follower
}

// Server answers the office.
type Server struct {
	cfg       Config
	door      *door
	pieces    pieces // cfg.Evidence, which is not read but through it
	seldom    *seldom
	areas     []string // of the API
	templates *template.Template
	dossiers  chan struct{} // one for each that is made now
}

// New makes a server.
func New(cfg Config) *Server {
	s := &Server{cfg: cfg, door: newDoor(), dossiers: make(chan struct{}, mostDossiers), pieces: pieces{cfg.Evidence}, seldom: newSeldom(), templates: parsePages(template.FuncMap{"alarms": cfg.Alarms.Pending, "warning": func() string { return cfg.Warning }, "sentence": sentence, "moment": moment})}
	s.cfg.Evidence = nil
	for _, rt := range s.routes() {
		if rt.area != "" && !slices.Contains(s.areas, rt.area) {
			s.areas = append(s.areas, rt.area)
		}
	}
	slices.Sort(s.areas)
	return s
}

// routes are all that can be asked, each with what it needs. Handler says what is made of them.
func (s *Server) routes() []route {
	var all []route
	// program answers a program at the path /api/AREA…, open answers anybody's browser, browser one that is in.
	program := func(method, path string, needs people.Role, h http.HandlerFunc) {
		area, _, _ := strings.Cut(path, "/")
		all = append(all, route{pattern: method + " /api/" + path, area: area, needs: needs, serve: h})
	}
	open := func(pattern string, h http.HandlerFunc) {
		all = append(all, route{pattern: pattern, open: true, serve: h})
	}
	browser := func(pattern string, needs people.Role, h http.HandlerFunc) {
		all = append(all, route{pattern: pattern, needs: needs, serve: h})
	}
	ask := func(path string, needs people.Role, h func(*http.Request, question) (any, error), may ...string) {
		program("GET", path, needs, s.answer(func(r *http.Request) (any, error) {
			q, err := readQuestion(r, may...)
			if err != nil {
				return nil, err
			}
			return h(r, q)
		}))
	}
	program("POST", "records", people.Office, s.postRecords)
	program("POST", "codes", people.Office, s.answer(s.postCode))
	program("POST", "links", people.Admin, s.answer(s.postLink))
	ask("machine", people.Auditor, s.getMachine, "machine", "site", "as-of", "known-at")
	ask("ledger", people.Auditor, s.getLedger, "machine", "site", "as-of", "known-at")
	ask("audit", people.Auditor, s.getAudit, "machine", "site", "visit", "device", "as-of", "known-at")
	ask("waste", people.Auditor, s.getWaste, "site", "as-of", "known-at")
	ask("due", people.Auditor, s.getDue, "machine", "site", "as-of", "known-at")
	ask("restatements", people.Auditor, s.getRestatements, "machine")
	ask("erasures", people.Auditor, s.getErasures)
	ask("holds", people.Auditor, s.getHolds)
	program("POST", "erasures", people.Office, s.postErasure)
	ask("alarms", people.Auditor, s.getAlarms)
	program("POST", "alarms", people.Office, s.answer(s.postAlarm))
	ask("missing", people.Auditor, s.getMissing)
	ask("check", people.Auditor, s.getCheck)
	program("GET", "backup", people.Admin, s.getBackup)
	s.fleet(program, ask)
	program("GET", "export", people.Auditor, s.getExport)
	program("GET", "dossier", people.Auditor, s.getDossier)

	ask("people", people.Admin, s.getPeople)
	program("POST", "people", people.Admin, s.answer(s.postPerson))
	program("POST", "people/{name}/role", people.Admin, s.answer(s.postRole))
	program("POST", "people/{name}/password", people.Admin, s.answer(s.postPassword))
	program("DELETE", "people/{name}", people.Admin, s.answer(s.deletePerson))
	ask("tokens", people.Admin, s.getTokens)
	program("POST", "tokens", people.Admin, s.answer(s.postToken))
	program("DELETE", "tokens/{name}", people.Admin, s.answer(s.deleteToken))
	ask("grants", people.Auditor, s.getGrants)
	program("POST", "grants", people.Admin, s.answer(s.postGrant))
	program("DELETE", "grants/{name}", people.Admin, s.answer(s.deleteGrant))
	ask("access", people.Auditor, s.getAccess, "since", "by")
	all = append(all, route{pattern: "/api/", needs: people.Auditor, serve: s.answer(func(r *http.Request) (any, error) {
		return nil, asked{http.StatusNotFound, fmt.Errorf("there is no %s %s here", r.Method, r.URL.Path)}
	})})

	open("GET /in", s.enter)
	open("POST /sign-in", s.signIn)
	open("GET /sign-in", func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, "/", http.StatusSeeOther) })
	open("GET /style.css", func(w http.ResponseWriter, r *http.Request) { http.ServeFileFS(w, r, pageFiles, "page/style.css") })
	browser("POST /sign-out", people.Auditor, s.signOut)
	browser("GET /you", people.Auditor, s.pageYou)
	browser("GET /{$}", people.Auditor, s.page(s.pageMachines))
	browser("GET /machines/{machine}", people.Auditor, s.page(s.pageMachine))
	browser("/", people.Auditor, s.page(func(*http.Request) (string, any, error) {
		return "", nil, asked{http.StatusNotFound, errors.New("there is no such page")}
	}))
	return all
}

// Handler is the whole of the office's HTTP; serve it behind Guard.
func (s *Server) Handler() http.Handler { return s.handler(s.routes()) }

func (s *Server) handler(routes []route) http.Handler {
	mux := http.NewServeMux()
	for _, rt := range routes {
		mux.Handle(rt.pattern, s.guard(rt))
	}
	return mux
}

// answer makes a handler of what answers with JSON or an error.
func (s *Server) answer(h func(*http.Request) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		answer, err := h(r)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		s.reply(w, r, http.StatusOK, answer)
	}
}

func (s *Server) reply(w http.ResponseWriter, r *http.Request, status int, answer any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	out := json.NewEncoder(w)
	out.SetEscapeHTML(false)
	if err := out.Encode(answer); err != nil {
		s.cfg.Log.Warn("office: answer", "path", r.URL.Path, "error", err)
	}
}

// asked is an error that is the asker's.
type asked struct {
	status int
	err    error
}

func (a asked) Error() string { return a.err.Error() }
func (a asked) Unwrap() error { return a.err }

func bad(format string, a ...any) error {
	return asked{http.StatusBadRequest, fmt.Errorf(format, a...)}
}

// words turns any error into a status, the asker's words and, where it is not the asker's doing, a line in the log.
func (s *Server) words(r *http.Request, err error) (status int, words string) {
	var mine asked
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &mine):
		return mine.status, err.Error()
	case errors.As(err, &large):
		return http.StatusRequestEntityTooLarge, fmt.Sprintf("a request has at most %d bytes; give the rest in another", large.Limit)
	case errors.Is(err, store.ErrNotThere):
		return http.StatusNotFound, err.Error()
	case r.Context().Err() != nil: // nobody waits for the answer, or the centre ends
		return http.StatusServiceUnavailable, "the question was not waited for"
	}
	status, words = http.StatusInternalServerError, "the centre could not answer; its log says why"
	if late := (*lateError)(nil); errors.As(err, &late) {
		status, words = http.StatusServiceUnavailable, late.Error()
	}
	if errors.As(err, new(untold)) {
		status, words = http.StatusServiceUnavailable, untoldWords
	}
	s.cfg.Log.Error("office: "+r.Method+" "+r.URL.Path, "error", err)
	return status, words
}

// fail answers with an error.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	status, words := s.words(r, err)
	s.reply(w, r, status, map[string]string{"error": words})
}

// question is the parameters of a request, those that it may have, each once.
type question map[string]string

func readQuestion(r *http.Request, may ...string) (question, error) {
	values, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, bad("the parameters cannot be read: %w", err)
	}
	q := question{}
	for name, list := range values {
		switch {
		case !slices.Contains(may, name):
			return nil, bad("there is no parameter %q here; there are %s", name, strings.Join(may, ", "))
		case len(list) > 1:
			return nil, bad("%s is given %d times; give it once", name, len(list))
		}
		q[name] = list[0]
	}
	return q, nil
}

// How long a question waits for what it is answered from.
const freshWithin = 30 * time.Second

// Follower keeps up with the stream RECORDS.
type Follower interface {
	// Wait returns when it has what stood in the stream up to a sequence, or with ctx's error.
	Wait(ctx context.Context, seq uint64) error
}

// lateError says that a follower does not have in time what it should.
type lateError struct{ err error }

func (e *lateError) Error() string {
	return fmt.Sprintf("after %v not all that was received is there to be asked; ask again (%v)", freshWithin, e.err)
}

func (e *lateError) Unwrap() error { return e.err }

// Fresh waits until the followers have what the stream holds now.
func Fresh(ctx context.Context, src stream.Stream, followers ...Follower) error {
	ctx, cancel := context.WithTimeout(ctx, freshWithin)
	defer cancel()
	at, err := src.State(ctx)
	if err != nil {
		return err
	}
	for _, f := range followers {
		if err := f.Wait(ctx, at.Last); errors.Is(err, context.DeadlineExceeded) {
			return &lateError{err}
		} else if err != nil {
			return err
		}
	}
	return nil
}

// unlessStopped is a log that is waited for, unless it has stopped: then what it has must do, and an alarm says why.
type unlessStopped struct {
	PublicLog
	log *slog.Logger
}

func (l unlessStopped) Wait(ctx context.Context, seq uint64) error {
	err := l.PublicLog.Wait(ctx, seq)
	if err != nil && ctx.Err() == nil {
		l.log.Error("office: the public log is asked for what it has", "error", err)
		return nil
	}
	return err
}

func (s *Server) fresh(ctx context.Context) error { return Fresh(ctx, s.cfg.Source, s.cfg.Store) }
