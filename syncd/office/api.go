// Package office is the office's side of the centre: what it records, what it asks, and the pages it looks at, over
// HTTP.
//
// The commands of ullage are clients of the API here. A question is answered when the read model holds what the stream
// held when it was asked. Errors are JSON objects {"error": "..."} with a status that fits; users see our words, the
// log the cause.
package office

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
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
	"ullage/projections"
	"ullage/projections/due"
	"ullage/projections/ledger"
	"ullage/projections/machine"
	"ullage/projections/waste"
	"ullage/syncd/store"
)

// Limits of a request.
const (
	maxRecords  = 64 << 20 // bytes of entry lines in one call
	maxQuestion = 64 << 10
	freshWithin = 30 * time.Second // how long a question waits for the read model
)

// Config is what the office's server works with.
type Config struct {
	Token    string // that the API asks for
	Store    *store.Store
	Source   *store.Source
	Recorder *Recorder
	Evidence entry.Evidence
	NewCode  func(name string) (wire.Code, error)
	Log      *slog.Logger
}

// Server answers the office.
type Server struct {
	cfg  Config
	door door
}

// New makes a server.
func New(cfg Config) *Server { return &Server{cfg: cfg, door: newDoor()} }

// Handler is the whole of the office's HTTP.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	api := func(pattern string, h func(*http.Request) (any, error)) {
		mux.Handle(pattern, s.withToken(func(w http.ResponseWriter, r *http.Request) {
			answer, err := h(r)
			if err != nil {
				s.fail(w, r, err)
				return
			}
			w.Header().Set("Content-Type", "application/json")
			w.Header().Set("Cache-Control", "no-store")
			if err := json.NewEncoder(w).Encode(answer); err != nil {
				s.cfg.Log.Warn("office: answer", "path", r.URL.Path, "error", err)
			}
		}))
	}
	api("POST /api/codes", s.postCode)
	mux.Handle("POST /api/records", s.withToken(s.postRecords))
	api("GET /api/machine", s.getMachine)
	api("GET /api/ledger", s.getLedger)
	api("GET /api/audit", s.getAudit)
	api("GET /api/waste", s.getWaste)
	api("GET /api/due", s.getDue)
	api("GET /api/restatements", s.getRestatements)
	mux.Handle("GET /api/export", s.withToken(s.getExport))
	s.pages(mux)
	return guard(mux)
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
	status, words = http.StatusInternalServerError, "the centre could not answer; its log says why"
	var mine asked
	switch {
	case errors.As(err, &mine):
		status, words = mine.status, err.Error()
	case errors.Is(err, store.ErrNotThere):
		status, words = http.StatusNotFound, err.Error()
	case errors.Is(err, context.DeadlineExceeded):
		status, words = http.StatusServiceUnavailable, err.Error()
		fallthrough
	default:
		s.cfg.Log.Error("office: "+r.Method+" "+r.URL.Path, "error", err)
	}
	return status, words
}

// fail answers with an error.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	status, words := s.words(r, err)
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	if err := json.NewEncoder(w).Encode(map[string]string{"error": words}); err != nil {
		s.cfg.Log.Warn("office: answer", "path", r.URL.Path, "error", err)
	}
}

// guard bounds requests and refuses those that a foreign page could make a browser send here.
func guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host := r.Host
		if u, err := url.Parse("http://" + host); err != nil || u.Hostname() != "127.0.0.1" && u.Hostname() != "localhost" && u.Hostname() != "::1" {
			http.Error(w, "this address is for this machine only", http.StatusMisdirectedRequest)
			return
		}
		h := w.Header()
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'")
		next.ServeHTTP(w, r)
	})
}

func (s *Server) withToken(next http.HandlerFunc) http.Handler {
	want := sha256.Sum256([]byte(s.cfg.Token))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		token, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
		got := sha256.Sum256([]byte(token))
		if !ok || subtle.ConstantTimeCompare(got[:], want[:]) != 1 {
			s.fail(w, r, asked{http.StatusUnauthorized, errors.New("the token is missing or wrong; it stands in the file token of the centre's folder")})
			return
		}
		next(w, r)
	})
}

func (s *Server) postCode(r *http.Request) (any, error) {
	var q struct {
		Name string `json:"name"`
	}
	in := json.NewDecoder(io.LimitReader(r.Body, maxQuestion))
	in.DisallowUnknownFields()
	if err := in.Decode(&q); err != nil {
		return nil, bad("the request is an object with name: %v", err)
	}
	code, err := s.cfg.NewCode(q.Name)
	if err != nil {
		return nil, asked{http.StatusConflict, err}
	}
	return map[string]string{"code": code.String()}, nil
}

// postRecords takes entry lines and answers with a line a record. A bad line is told as {"error", "line"}, and then
// nothing was written.
func (s *Server) postRecords(w http.ResponseWriter, r *http.Request) {
	answers, err := s.cfg.Recorder.Record(r.Context(), http.MaxBytesReader(w, r.Body, maxRecords))
	var line *entry.LineError
	switch {
	case errors.As(err, &line):
		err = asked{http.StatusUnprocessableEntity, err}
		fallthrough
	case err != nil:
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "application/x-ndjson")
	out := json.NewEncoder(w)
	for _, a := range answers {
		if err := out.Encode(a); err != nil {
			s.cfg.Log.Warn("office: answer", "path", r.URL.Path, "error", err)
			return
		}
	}
}

// fresh waits until the read model holds what the stream holds now.
func (s *Server) fresh(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, freshWithin)
	defer cancel()
	last, err := s.cfg.Source.Last(ctx)
	if err != nil {
		return err
	}
	return s.cfg.Store.Wait(ctx, last)
}

// bounds reads as-of and known-at.
func bounds(q url.Values) (projections.Bounds, error) {
	b := projections.Now
	for name, to := range map[string]*events.Millis{"as-of": &b.AsOf, "known-at": &b.KnownAt} {
		text := q.Get(name)
		if text == "" {
			continue
		}
		at, err := ParseBound(text)
		if err != nil {
			return b, bad("%s: %w", name, err)
		}
		*to = at
	}
	return b, nil
}

// ParseBound reads a time in RFC 3339 with zone, or a date, which means the end of that day in UTC.
func ParseBound(s string) (events.Millis, error) {
	if t, err := time.Parse(time.RFC3339Nano, s); err == nil {
		return events.MillisOf(t), nil
	}
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return 0, fmt.Errorf("%q is neither a time with zone (2026-03-02T09:05:00+01:00) nor a date (2026-03-02)", s)
	}
	return events.MillisOf(t.AddDate(0, 0, 1)) - 1, nil
}

// ofMachines answers a question about one machine, or, where none is named, about all under the given name.
func ofMachines[T any](s *Server, r *http.Request, name string, fold func(projections.Input) T) (any, error) {
	q := r.URL.Query()
	b, err := bounds(q)
	if err != nil {
		return nil, err
	}
	if err := s.fresh(r.Context()); err != nil {
		return nil, err
	}
	ids := []events.MachineID{events.MachineID(q.Get("machine"))}
	all := ids[0] == ""
	if all {
		if ids, err = s.cfg.Store.Machines(r.Context()); err != nil {
			return nil, err
		}
	}
	answers := []T{}
	for _, id := range ids {
		in, err := s.cfg.Store.Machine(r.Context(), id, b)
		if err != nil {
			return nil, err
		}
		if site := q.Get("site"); site != "" && string(siteOf(in)) != site {
			continue
		}
		answers = append(answers, fold(in))
	}
	if !all {
		if len(answers) == 0 {
			return nil, asked{http.StatusNotFound, fmt.Errorf("machine %s does not stand at site %s", ids[0], q.Get("site"))}
		}
		return answers[0], nil
	}
	return map[string]any{name: answers}, nil
}

func siteOf(in projections.Input) events.SiteID { return machine.Fold(in).Site }

func (s *Server) getMachine(r *http.Request) (any, error) {
	return ofMachines(s, r, "machines", machine.Fold)
}

func (s *Server) getLedger(r *http.Request) (any, error) {
	return ofMachines(s, r, "ledgers", ledger.Fold)
}

func (s *Server) getWaste(r *http.Request) (any, error) {
	b, err := bounds(r.URL.Query())
	if err != nil {
		return nil, err
	}
	if err := s.fresh(r.Context()); err != nil {
		return nil, err
	}
	vessels, err := s.cfg.Store.Vessels(r.Context(), b)
	if err != nil {
		return nil, err
	}
	reg, err := s.cfg.Store.Register(r.Context(), b)
	if err != nil {
		return nil, err
	}
	months := waste.Fold(vessels, reg, time.LoadLocation)
	if site := r.URL.Query().Get("site"); site != "" {
		months = slices.DeleteFunc(months, func(m waste.Month) bool { return string(m.Site) != site })
	}
	return map[string]any{"sites": months}, nil
}

func (s *Server) getDue(r *http.Request) (any, error) {
	b, err := bounds(r.URL.Query())
	if err != nil {
		return nil, err
	}
	if err := s.fresh(r.Context()); err != nil {
		return nil, err
	}
	reg, err := s.cfg.Store.Register(r.Context(), b)
	if err != nil {
		return nil, err
	}
	answer, err := ofMachines(s, r, "machines", func(in projections.Input) due.Machine { return due.Fold(in, reg, time.LoadLocation) })
	if one, ok := answer.(due.Machine); ok {
		answer = map[string]any{"machines": []due.Machine{one}}
	}
	return answer, err
}

func (s *Server) getRestatements(r *http.Request) (any, error) {
	if err := s.fresh(r.Context()); err != nil {
		return nil, err
	}
	all, err := s.cfg.Store.Restatements(r.Context(), events.MachineID(r.URL.Query().Get("machine")))
	if err != nil {
		return nil, err
	}
	rows := []map[string]any{}
	for _, x := range all {
		row := map[string]any{
			"id": x.ID.String(), "machine": x.Machine, "projection": x.Projection, "what": x.What,
			"old": json.RawMessage(x.Old), "new": nil, "caused_by": x.CausedBy.String(),
		}
		if x.New != "" {
			row["new"] = json.RawMessage(x.New)
		}
		rows = append(rows, row)
	}
	return map[string]any{"restatements": rows}, nil
}
