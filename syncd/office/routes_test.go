package office

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"ullage/events"
	"ullage/events/entry"
	"ullage/syncd/alarm"
	"ullage/syncd/trust/access"
	"ullage/syncd/trust/people"
)

const localToken = "0123456789abcdef"

// heldPieces is evidence: any piece whose digest does not begin with 0.
type heldPieces struct{ entry.Evidence }

func (heldPieces) Text(d events.Digest) ([]byte, bool, error) { return []byte("text"), d[0] != 0, nil }

type house struct {
	*Server
	t     *testing.T
	clock *time.Time // of the book
	log   *bytes.Buffer
}

// newHouse makes a server whose routes can be asked, but for what needs a centre.
func newHouse(t *testing.T) house {
	t.Helper()
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	log := &bytes.Buffer{}
	l := slog.New(slog.NewTextHandler(log, nil))
	book, err := people.Open(people.Config{Dir: t.TempDir(), Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	journal, err := access.Open(access.Config{Dir: t.TempDir(), Now: time.Now, Changed: func(b access.Break) { t.Error(b) }, Log: l})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { journal.Close() })
	alarms, err := alarm.Read(t.TempDir()+"/alarms.json", func() events.Millis { return 0 }, l)
	if err != nil {
		t.Fatal(err)
	}
	return house{New(Config{Token: localToken, Book: book, Access: journal, Evidence: heldPieces{}, Alarms: alarms, Log: l}), t, &now, log}
}

func (h house) token(name string, role people.Role, areas ...string) string {
	h.t.Helper()
	secret, _, err := h.cfg.Book.MakeToken(people.Token{Name: name, Role: role, Areas: areas}, 1)
	if err != nil {
		h.t.Fatal(err)
	}
	return secret
}

// lines are those of the access journal, without number, hash and time.
func (h house) lines() []string {
	h.t.Helper()
	var all []string
	report, err := h.cfg.Access.Read(func(_ []byte, e access.Entry) {
		all = append(all, fmt.Sprintf("%s|%s|%s|%s|%s|%d", e.Act, e.Who, e.Through, e.About, e.Note, len(e.Digests)))
	})
	if err != nil || report.Breaks != nil {
		h.t.Fatalf("%v %+v", err, report)
	}
	return all
}

const reached = http.StatusTeapot

// stubs are the routes with nothing behind the door.
func stubs(routes []route) []route {
	all := append([]route{}, routes...)
	for i := range all {
		all[i].serve = func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(reached) }
	}
	return all
}

// ask sends a request to a route of its own pattern.
func (rt route) ask(server *httptest.Server, header map[string]string, form url.Values) (*http.Response, error) {
	method, path, ok := strings.Cut(rt.pattern, " ")
	if !ok {
		method, path = http.MethodGet, rt.pattern
	}
	path = strings.NewReplacer("{$}", "", "{name}", "n", "{machine}", "m-1").Replace(path)
	r, err := http.NewRequest(method, server.URL+path, strings.NewReader(form.Encode()))
	if err != nil {
		return nil, err
	}
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for name, value := range header {
		r.Header.Set(name, value)
	}
	return server.Client().Do(r)
}

// TestEveryRoute walks every route as everybody: each is let in or refused as the table says, and as roles should be.
func TestEveryRoute(t *testing.T) {
	h := newHouse(t)
	// No page asks for more than an auditor yet; two that do stand for those to come.
	routes := append(h.routes(), route{pattern: "GET /for-office", needs: people.Office}, route{pattern: "POST /for-admin", needs: people.Admin})
	server := httptest.NewServer(h.handler(stubs(routes)))
	defer server.Close()
	roles := []people.Role{people.Auditor, people.Office, people.Admin}
	expired := h.token("expired", people.Admin)
	*h.clock = h.clock.Add(48 * time.Hour)
	revoked := h.token("revoked", people.Admin)
	if err := h.cfg.Book.RevokeToken("revoked"); err != nil {
		t.Fatal(err)
	}
	tokens, sessions := map[people.Role]string{}, map[people.Role]string{}
	for _, r := range roles {
		tokens[r] = h.token(r.String(), r)
		sessions[r] = h.door.open(guest{who: "person:" + r.String(), role: r, holds: always}, "")
	}
	cookie := func(value string) string {
		return "ullage-office-" + server.URL[strings.LastIndex(server.URL, ":")+1:] + "=" + value
	}
	own := map[string]string{"Origin": server.URL, "Sec-Fetch-Site": "same-origin"}
	with := func(more ...string) map[string]string {
		all := map[string]string{}
		for k, v := range own {
			all[k] = v
		}
		for i := 0; i < len(more); i += 2 {
			all[more[i]] = more[i+1]
		}
		return all
	}
	seen := map[string]bool{}
	for _, rt := range routes {
		seen[rt.pattern] = true
		changes := strings.HasPrefix(rt.pattern, "POST ") || strings.HasPrefix(rt.pattern, "DELETE ")
		got := func(header map[string]string, form url.Values) int {
			t.Helper()
			answer, err := rt.ask(server, header, form)
			if err != nil {
				t.Fatal(err)
			}
			defer answer.Body.Close()
			io.Copy(io.Discard, answer.Body)
			return answer.StatusCode
		}
		want := func(what string, header map[string]string, form url.Values, status int) {
			t.Helper()
			if s := got(header, form); s != status {
				t.Errorf("%s, %s: %d, want %d", rt.pattern, what, s, status)
			}
		}
		covers := func(r people.Role) int {
			if r.Covers(rt.needs) {
				return reached
			}
			return http.StatusForbidden
		}
		if rt.forPrograms() {
			if changes && !rt.needs.Covers(people.Office) || rt.area == "" && rt.pattern != "/api/" {
				t.Errorf("%s needs no more than %v, in the area %q", rt.pattern, rt.needs, rt.area)
			}
			for what, header := range map[string]string{
				"nothing": "", "a wrong token": "Bearer " + localToken + "x", "an expired token": "Bearer " + expired, "a revoked token": "Bearer " + revoked,
				"another scheme": "Basic " + localToken, "an empty one": "Bearer ",
			} {
				want(what, with("Authorization", header, "Cookie", cookie(sessions[people.Admin])), nil, http.StatusUnauthorized) // a cookie is no use
			}
			for _, r := range roles {
				want("a token as "+r.String(), map[string]string{"Authorization": "Bearer " + tokens[r]}, nil, covers(r))
			}
			want("the local token", map[string]string{"Authorization": "Bearer " + localToken}, nil, reached)
			continue
		}
		if rt.open {
			switch rt.pattern {
			case "GET /in", "GET /style.css", "GET /sign-in", "POST /sign-in":
			default:
				t.Errorf("%s is open to everybody", rt.pattern)
			}
			want("nobody", own, nil, reached)
			if changes {
				want("nobody, from elsewhere", with("Origin", "http://elsewhere.example", "Sec-Fetch-Site", "cross-site"), nil, http.StatusForbidden)
				want("nobody, from who knows where", nil, nil, http.StatusForbidden)
			}
			continue
		}
		for what, header := range map[string]map[string]string{
			"nothing": own, "an old cookie": with("Cookie", cookie("0")), "a token": with("Authorization", "Bearer "+localToken), "an empty cookie": with("Cookie", cookie("")),
			"a cookie of another name": with("Cookie", strings.Replace(cookie(sessions[people.Admin]), "office-", "office-9", 1)),
		} {
			want(what, header, nil, http.StatusForbidden)
		}
		for _, r := range roles {
			session, _ := h.door.find(sessions[r])
			good := url.Values{"proof": {session.proof}}
			header := with("Cookie", cookie(sessions[r]))
			want("a cookie as "+r.String(), header, good, covers(r))
			if !changes {
				continue
			}
			other, _ := h.door.find(sessions[roles[(int(r))%len(roles)]])
			for _, form := range []url.Values{{}, {"proof": {""}}, {"proof": {session.proof + "0"}}, {"proof": {other.proof}}} {
				want("with a wrong proof", header, form, http.StatusForbidden)
			}
			for _, from := range []map[string]string{
				{}, {"Origin": "null"}, {"Origin": "http://elsewhere.example"}, {"Origin": server.URL, "Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"},
			} {
				from["Cookie"] = cookie(sessions[r])
				want(fmt.Sprint("from elsewhere: ", from), from, good, http.StatusForbidden)
			}
		}
	}
	for _, must := range []string{"/api/", "/", "POST /sign-out", "POST /api/records", "POST /api/people", "GET /api/access"} {
		if !seen[must] {
			t.Errorf("%s is not in the table: this walk sees too little", must)
		}
	}
	if strings.Contains(h.log.String(), localToken) || strings.Contains(h.log.String(), people.TokenMark) {
		t.Errorf("a token is in the log:\n%s", h.log)
	}
}

// TestRouteWithoutNeeds: what does not say whom it lets in is not served.
func TestRouteWithoutNeeds(t *testing.T) {
	h := newHouse(t)
	for _, rt := range []route{{pattern: "GET /x"}, {pattern: "GET /api/x"}, {pattern: "GET /api/x", open: true}, {pattern: "GET /x", open: true, needs: people.Auditor}} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%+v is served", rt)
				}
			}()
			h.handler([]route{rt})
		}()
	}
}

// TestAreas: a token for some areas is good for those, whatever its role.
func TestAreas(t *testing.T) {
	h := newHouse(t)
	routes := h.routes()
	server := httptest.NewServer(h.handler(stubs(routes)))
	defer server.Close()
	secret := h.token("billing", people.Admin, "audit", "people")
	for _, rt := range routes {
		if !rt.forPrograms() {
			continue
		}
		want := http.StatusForbidden
		if rt.area == "audit" || rt.area == "people" || rt.area == "" {
			want = reached
		}
		answer, err := rt.ask(server, map[string]string{"Authorization": "Bearer " + secret}, nil)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		if answer.StatusCode != want {
			t.Errorf("%s: %d, want %d", rt.pattern, answer.StatusCode, want)
		}
	}
}

// TestTold: what reads evidence is told, once a request, and before anything gets out; where it cannot be told, nothing does.
func TestTold(t *testing.T) {
	h := newHouse(t)
	var digests []events.Digest
	for i := range 3 {
		digests = append(digests, events.Digest{byte(i), 1})
	}
	read := func(w http.ResponseWriter, r *http.Request) {
		for range 2 { // twice is once
			for _, d := range digests { // the first is not held here
				if _, _, err := h.pieces.text(r.Context(), d); err != nil {
					t.Error(err)
				}
			}
		}
	}
	routes := []route{
		{pattern: "GET /api/words", area: "words", needs: people.Auditor, serve: func(w http.ResponseWriter, r *http.Request) {
			read(w, r)
			h.reply(w, r, http.StatusOK, "the text")
		}},
		{pattern: "GET /api/parts", area: "words", needs: people.Auditor, serve: func(w http.ResponseWriter, r *http.Request) {
			io.WriteString(w, "first ")
			http.NewResponseController(w).Flush()
			read(w, r)
			if _, err := io.WriteString(w, "the text"); err != nil {
				panic(http.ErrAbortHandler)
			}
		}},
		{pattern: "GET /page", needs: people.Auditor, serve: func(w http.ResponseWriter, r *http.Request) {
			read(w, r)
			h.render(w, http.StatusOK, "error", "the text")
		}},
		{pattern: "GET /none", needs: people.Auditor, serve: func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, "no evidence") }},
	}
	server := httptest.NewServer(h.handler(routes))
	defer server.Close()
	server.Config.ErrorLog = nil
	header := map[string]string{
		"Authorization": "Bearer " + localToken,
		"Cookie":        "ullage-office-" + server.URL[strings.LastIndex(server.URL, ":")+1:] + "=" + h.door.open(guest{who: "person:mara", role: people.Auditor, holds: always}, ""),
	}
	ask := func(rt route) (int, string, error) {
		answer, err := rt.ask(server, header, nil)
		if err != nil {
			return 0, "", err
		}
		defer answer.Body.Close()
		b, err := io.ReadAll(answer.Body)
		return answer.StatusCode, string(b), err
	}
	for _, rt := range routes {
		if status, body, err := ask(rt); status != http.StatusOK || err != nil || !strings.Contains(body, "text") && rt.pattern != "GET /none" {
			t.Errorf("%s: %d %s %v", rt.pattern, status, body, err)
		}
	}
	want := "[evidence read|local|GET /api/words|||2 evidence read|local|GET /api/parts|||2 evidence read|person:mara|GET /page|||2]"
	if got := fmt.Sprint(h.lines()); got != want {
		t.Errorf("%s\nwant %s", got, want)
	}

	if err := h.cfg.Access.Close(); err != nil { // it can be written no more
		t.Fatal(err)
	}
	for _, rt := range routes {
		status, body, err := ask(rt)
		switch {
		case strings.Contains(body, "the text"):
			t.Errorf("%s: what could not be told got out: %d %s", rt.pattern, status, body)
		case rt.pattern == "GET /none":
			if status != http.StatusOK {
				t.Errorf("%s: %d %s", rt.pattern, status, body)
			}
		case rt.pattern == "GET /api/parts":
			if err == nil {
				t.Errorf("%s: the answer is not cut off: %q", rt.pattern, body)
			}
		case status != http.StatusServiceUnavailable || !strings.Contains(body, "access journal"):
			t.Errorf("%s: %d %s", rt.pattern, status, body)
		}
	}
	// Nor does anybody come in untold.
	if _, err := h.Ticket(); !errors.As(err, new(untold)) {
		t.Errorf("a link: %v", err)
	}
	w := httptest.NewRecorder()
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	r = r.WithContext(context.WithValue(r.Context(), visitKey{}, &visit{}))
	if err := h.letIn(w, r, guest{who: "person:mara", role: people.Auditor, holds: always}); err == nil || w.Header().Get("Set-Cookie") != "" {
		t.Errorf("let in untold: %v %v", err, w.Header())
	}
}
