package office

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"ullage/events"
	"ullage/syncd/trust/access"
	"ullage/syncd/trust/people"
)

// readBody reads what a request brings: one JSON object with known fields.
func readBody(r *http.Request, to any, form string) error {
	d := json.NewDecoder(http.MaxBytesReader(nil, r.Body, maxQuestion))
	d.DisallowUnknownFields()
	err := d.Decode(to)
	if err == nil {
		if _, end := d.Token(); end != io.EOF {
			err = errors.New("there is something behind the object")
		}
	}
	if errors.As(err, new(*http.MaxBytesError)) {
		return err
	}
	if errors.Is(err, people.ErrRole) {
		return bad("role: %w", err)
	}
	if err != nil {
		return bad("the request is an object such as %s", form) // without what was sent: it may be a password
	}
	return nil
}

// ofBook gives the errors about people and tokens their status.
func ofBook(err error) error {
	for _, x := range []struct {
		is     error
		status int
	}{
		{people.ErrName, http.StatusConflict}, {people.ErrUnknown, http.StatusNotFound}, {people.ErrPassword, http.StatusBadRequest},
		{people.ErrDays, http.StatusBadRequest}, {people.ErrFull, http.StatusConflict}, {people.ErrBusy, http.StatusServiceUnavailable},
	} {
		if errors.Is(err, x.is) {
			return asked{x.status, err}
		}
	}
	return err
}

// change tells the access journal of a change of people or tokens, and then makes it. One that then fails is told too.
func (s *Server) change(r *http.Request, act access.Act, about, note string, do func() error) (any, error) {
	e := entryOf(r)
	e.Act, e.About, e.Note = act, about, note
	if err := s.tell(e); err != nil {
		return nil, err
	}
	err := do()
	if err != nil {
		e.Note = "failed: " + err.Error()
		err = errors.Join(ofBook(err), s.tell(e))
	}
	return struct{}{}, err
}

type personAnswer struct {
	Name  string      `json:"name"`
	Role  people.Role `json:"role"`
	Since string      `json:"since"`
}

func (s *Server) getPeople(*http.Request, question) (any, error) {
	list := []personAnswer{}
	for _, p := range s.cfg.Book.People() {
		list = append(list, personAnswer{p.Name, p.Role, p.Since.Format(0)})
	}
	return map[string]any{"people": list}, nil
}

func (s *Server) postPerson(r *http.Request) (any, error) {
	var q struct {
		Name     string      `json:"name"`
		Role     people.Role `json:"role"`
		Password string      `json:"password"`
	}
	if err := readBody(r, &q, `{"name":"mara","role":"office","password":"…"}`); err != nil {
		return nil, err
	}
	if err := events.CheckIdentifier(q.Name); err != nil {
		return nil, bad("name: %w", err)
	}
	if q.Role == 0 {
		return nil, bad("role is missing: auditor, office or admin")
	}
	return s.change(r, access.PersonAdded, q.Name, "as "+q.Role.String(), func() error {
		return s.cfg.Book.AddPerson(r.Context(), q.Name, q.Role, []byte(q.Password))
	})
}

// known gives the name of a path, where somebody has it.
func (s *Server) known(r *http.Request) (string, error) {
	name, ok := s.cfg.Book.Known(r.PathValue("name"))
	if !ok {
		return "", ofBook(fmt.Errorf("%w: %.64q", people.ErrUnknown, r.PathValue("name")))
	}
	return name, nil
}

func (s *Server) postRole(r *http.Request) (any, error) {
	var q struct {
		Role people.Role `json:"role"`
	}
	if err := readBody(r, &q, `{"role":"auditor"}, office or admin`); err != nil {
		return nil, err
	}
	if q.Role == 0 {
		return nil, bad("role is missing: auditor, office or admin")
	}
	name, err := s.known(r)
	if err != nil {
		return nil, err
	}
	return s.change(r, access.RoleChanged, name, "to "+q.Role.String(), func() error { return s.cfg.Book.SetRole(name, q.Role) })
}

func (s *Server) postPassword(r *http.Request) (any, error) {
	var q struct {
		Password string `json:"password"`
	}
	if err := readBody(r, &q, `{"password":"…"}`); err != nil {
		return nil, err
	}
	name, err := s.known(r)
	if err != nil {
		return nil, err
	}
	return s.change(r, access.PasswordChanged, name, "", func() error { return s.cfg.Book.SetPassword(r.Context(), name, []byte(q.Password)) })
}

func (s *Server) deletePerson(r *http.Request) (any, error) {
	name, err := s.known(r)
	if err != nil {
		return nil, err
	}
	return s.change(r, access.PersonRemoved, name, "", func() error { return s.cfg.Book.RemovePerson(name) })
}

type tokenAnswer struct {
	Name    string      `json:"name"`
	Token   string      `json:"token,omitempty"` // its secret, once
	Role    people.Role `json:"role"`
	Areas   []string    `json:"areas"` // none: all
	Made    string      `json:"made"`
	Expires string      `json:"expires"`
	Expired bool        `json:"expired"`
	By      string      `json:"by"`
}

func tokenShown(t people.Token, now time.Time) tokenAnswer {
	areas := append([]string{}, t.Areas...)
	return tokenAnswer{t.Name, "", t.Role, areas, t.Made.Format(0), t.Expires.Format(0), !now.Before(t.Expires.Time()), t.By}
}

func (s *Server) getTokens(*http.Request, question) (any, error) {
	list := []tokenAnswer{}
	for _, t := range s.cfg.Book.Tokens() {
		list = append(list, tokenShown(t, time.Now()))
	}
	return map[string]any{"tokens": list}, nil
}

func (s *Server) postToken(r *http.Request) (any, error) {
	var q struct {
		Name  string      `json:"name"`
		Role  people.Role `json:"role"`
		Areas []string    `json:"areas"`
		Days  int         `json:"days"`
	}
	if err := readBody(r, &q, `{"name":"billing","role":"auditor","areas":["audit"],"days":90}`); err != nil {
		return nil, err
	}
	if err := events.CheckIdentifier(q.Name); err != nil {
		return nil, bad("name: %w", err)
	}
	if q.Role == 0 {
		return nil, bad("role is missing: auditor, office or admin")
	}
	slices.Sort(q.Areas)
	q.Areas = slices.Compact(q.Areas)
	for _, a := range q.Areas {
		if !slices.Contains(s.areas, a) {
			return nil, bad("areas: %.64q is none; there are %s", a, strings.Join(s.areas, ", "))
		}
	}
	var answer tokenAnswer
	scope := "as " + q.Role.String()
	if len(q.Areas) > 0 {
		scope += " for " + strings.Join(q.Areas, ", ")
	}
	_, err := s.change(r, access.TokenMade, q.Name, fmt.Sprintf("%s, %d days", scope, q.Days), func() error {
		secret, t, err := s.cfg.Book.MakeToken(people.Token{Name: q.Name, Role: q.Role, Areas: q.Areas, By: visitOf(r.Context()).who}, q.Days)
		answer = tokenShown(t, time.Now())
		answer.Token = secret
		return err
	})
	return answer, err
}

func (s *Server) deleteToken(r *http.Request) (any, error) {
	name := r.PathValue("name")
	if err := events.CheckIdentifier(name); err != nil {
		return nil, ofBook(fmt.Errorf("%w: %.64q", people.ErrUnknown, name))
	}
	return s.change(r, access.TokenRevoked, name, "", func() error { return s.cfg.Book.RevokeToken(name) })
}

// The most lines of the access journal in one answer; the newest are given.
const mostLines = 10_000

func (s *Server) getAccess(_ *http.Request, q question) (any, error) {
	var since time.Time
	if q["since"] != "" {
		var err error
		if since, err = time.Parse(time.RFC3339Nano, q["since"]); err != nil {
			if since, err = time.Parse(time.DateOnly, q["since"]); err != nil { // from the beginning of that day
				return nil, bad("since: %q is neither a time with zone (2026-03-02T09:05:00+01:00) nor a date (2026-03-02)", q["since"])
			}
		}
	}
	lines, left := []json.RawMessage{}, 0
	report, err := s.cfg.Access.Read(func(line []byte, e access.Entry) {
		_, name, _ := strings.Cut(e.Who, ":")
		if by := q["by"]; by != "" && by != e.Who && by != name {
			return
		}
		if at, err := time.Parse(time.RFC3339Nano, e.At); err == nil && at.Before(since) {
			return
		}
		if len(lines) == mostLines {
			lines = lines[1:]
			left++
		}
		lines = append(lines, append(json.RawMessage(nil), line...))
	})
	if err != nil {
		return nil, err
	}
	broken := report.Breaks
	if broken == nil {
		broken = []access.Break{}
	}
	return map[string]any{
		"lines": lines, "left_out": left, "broken": broken, "size": report.Size,
		"last": map[string]any{"n": report.Head.N, "hash": report.Head.Hash.String()},
	}, nil
}

// postLink makes a link that lets a browser in.
func (s *Server) postLink(r *http.Request) (any, error) {
	path, err := s.newTicket(entryOf(r))
	if err != nil {
		return nil, err
	}
	return map[string]string{"path": path}, nil
}
