package desk_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

const password = "five small red sheds"

// ask asks the API with a token.
func (c *centre) ask(token, method, path, body string) (int, string) {
	c.t.Helper()
	r := c.request(method, path, body)
	r.Header.Set("Authorization", "Bearer "+token)
	status, _, answer := c.do(r)
	return status, answer
}

// must asks the API for what it cannot refuse.
func (c *centre) must(method, path, body string) string {
	c.t.Helper()
	status, answer := c.ask(c.token(), method, path, body)
	if status != http.StatusOK {
		c.t.Fatalf("%s %s: %d %s", method, path, status, answer)
	}
	return answer
}

// post sends a form, as a page of this centre makes a browser do; other headers come last.
func (c *centre) post(b *http.Client, path string, form url.Values, header ...string) (int, http.Header, string) {
	c.t.Helper()
	r := c.request("POST", path, form.Encode())
	r.Header.Del("Authorization")
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", c.at.Office)
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	return c.send(b, r)
}

func (c *centre) signIn(b *http.Client, name, password string, header ...string) (int, http.Header, string) {
	c.t.Helper()
	return c.post(b, "/sign-in", url.Values{"name": {name}, "password": {password}, "to": {"/machines/m-1"}}, header...)
}

var proofField = regexp.MustCompile(`name="proof" value="([0-9a-f]{64})"`)

// proof is that of a browser's session.
func (c *centre) proof(b *http.Client) string {
	c.t.Helper()
	status, _, body := c.browse(b, "/you")
	m := proofField.FindStringSubmatch(body)
	if m == nil {
		c.t.Fatalf("%d %s", status, body)
	}
	return m[1]
}

// told is the access journal: act, who, about and note of each line.
func (c *centre) told() []string {
	c.t.Helper()
	var answer struct {
		Lines  []struct{ Act, Who, About, Note string }
		Broken []any
	}
	if err := json.Unmarshal([]byte(c.must("GET", "/api/access", "")), &answer); err != nil {
		c.t.Fatal(err)
	}
	if len(answer.Broken) > 0 {
		c.t.Errorf("the access journal is broken: %v", answer.Broken)
	}
	var all []string
	for _, l := range answer.Lines {
		all = append(all, l.Act+"|"+l.Who+"|"+l.About+"|"+l.Note)
	}
	return all
}

// TestSignIn lets somebody in by name and password, and out again in every way there is.
func TestSignIn(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer)
	if _, _, body := c.browse(c.newBrowser(), "/"); strings.Contains(body, "/sign-in") {
		t.Error("there is nobody yet who could sign in")
	}
	c.must("POST", "/api/people", `{"name":"mara","role":"office","password":"`+password+`"}`)
	b := c.newBrowser()
	in := func(b *http.Client) bool {
		t.Helper()
		status, _, _ := c.browse(b, "/")
		return status == http.StatusOK
	}
	if status, _, body := c.browse(b, "/machines/m-1"); status != http.StatusForbidden || !strings.Contains(body, `action="/sign-in"`) || !strings.Contains(body, `value="/machines/m-1"`) {
		t.Errorf("the sign-in page: %d %s", status, body)
	}

	// What was wrong is not told.
	_, _, wrongPassword := c.signIn(b, "mara", password+"x")
	_, _, wrongName := c.signIn(b, "maro", password+"x")
	if strings.ReplaceAll(wrongName, "maro", "mara") != wrongPassword || !strings.Contains(wrongPassword, "The name or the password is wrong.") || strings.Contains(wrongPassword, password) {
		t.Errorf("wrong password: %s\nwrong name: %s", wrongPassword, wrongName)
	}
	// A form from elsewhere does not sign anybody in, even with the right password.
	for _, from := range [][]string{{"Origin", "http://elsewhere.example"}, {"Origin", "null"}, {"Sec-Fetch-Site", "cross-site"}, {"Sec-Fetch-Site", "none"}} {
		if status, header, _ := c.signIn(b, "mara", password, from...); status != http.StatusForbidden || header.Get("Set-Cookie") != "" {
			t.Errorf("from elsewhere, %v: %d", from, status)
		}
	}
	if in(b) {
		t.Fatal("in without signing in")
	}
	status, header, body := c.signIn(b, "Mara", password)
	if status != http.StatusSeeOther || header.Get("Location") != "/machines/m-1" || !in(b) {
		t.Fatalf("signing in: %d %v %s", status, header, body)
	}
	for _, want := range []string{"ullage-office-", "HttpOnly", "SameSite=Strict", "Path=/", "Max-Age=43200"} {
		if cookie := header.Get("Set-Cookie"); !strings.Contains(cookie, want) {
			t.Errorf("cookie %q lacks %q", cookie, want)
		}
	}
	if _, _, body := c.browse(b, "/you"); !strings.Contains(body, "<strong>mara</strong>") || !strings.Contains(body, "<strong>office</strong>") {
		t.Error(body)
	}
	elsewhere := url.Values{"name": {"mara"}, "password": {password}, "to": {"//elsewhere.example"}}
	if _, header, _ := c.post(c.newBrowser(), "/sign-in", elsewhere); header.Get("Location") != "/" {
		t.Errorf("signing in leads to %q", header.Get("Location"))
	}

	// A cookie that was put into the browser beforehand is not the one that gets in.
	fixed := &http.Cookie{Name: strings.SplitN(header.Get("Set-Cookie"), "=", 2)[0], Value: strings.Repeat("ab", 32)}
	at, err := url.Parse(c.at.Office)
	if err != nil {
		t.Fatal(err)
	}
	victim, thief := c.newBrowser(), c.newBrowser()
	victim.Jar.SetCookies(at, []*http.Cookie{fixed})
	thief.Jar.SetCookies(at, []*http.Cookie{fixed})
	if status, header, _ := c.signIn(victim, "mara", password); status != http.StatusSeeOther || strings.Contains(header.Get("Set-Cookie"), fixed.Value) {
		t.Error("a cookie from elsewhere became a session")
	}
	if in(thief) || !in(victim) {
		t.Error("who put the cookie there is in")
	}
	// Nor is that of an earlier session, once its browser has signed in again.
	thief.Jar.SetCookies(at, victim.Jar.Cookies(at))
	if !in(thief) {
		t.Error("the cookie does not work")
	}
	c.signIn(victim, "mara", password)
	if in(thief) || !in(victim) {
		t.Error("the earlier session lasts")
	}

	// Signing out needs a form of this very session, and ends it for whoever has copied the cookie.
	thief.Jar.SetCookies(at, victim.Jar.Cookies(at))
	for _, form := range []url.Values{{}, {"proof": {""}}, {"proof": {c.proof(b)}}} {
		if status, _, _ := c.post(victim, "/sign-out", form); status != http.StatusForbidden {
			t.Errorf("signing out with %v: %d", form, status)
		}
	}
	proof := url.Values{"proof": {c.proof(victim)}}
	if status, _, _ := c.post(victim, "/sign-out", proof, "Origin", "http://elsewhere.example", "Sec-Fetch-Site", "cross-site"); status != http.StatusForbidden || !in(victim) {
		t.Errorf("signing out from elsewhere: %d", status)
	}
	if status, _, _ := c.post(victim, "/sign-out", proof); status != http.StatusSeeOther || in(victim) || in(thief) {
		t.Errorf("signing out: %d; still in: %v, with a stolen cookie: %v", status, in(victim), in(thief))
	}
	if !in(b) {
		t.Error("signing out of one browser ended another")
	}

	// Whoever opens the address of the form, or sends one of a session that has ended, is led to what is there.
	if status, header, _ := c.browse(victim, "/sign-in"); status != http.StatusSeeOther || header.Get("Location") != "/" {
		t.Errorf("the address of the form: %d %v", status, header)
	}
	if status, _, body := c.post(victim, "/sign-out", proof); status != http.StatusForbidden || !strings.Contains(body, `name="to" value="/"`) {
		t.Errorf("signing out twice: %d %s", status, body)
	}

	// A form of many bytes is not read.
	if status, _, _ := c.signIn(c.newBrowser(), "mara", strings.Repeat("x", 100<<10)); status != http.StatusRequestEntityTooLarge {
		t.Errorf("a long form: %d", status)
	}

	// Changes of the person end sessions at once; another's go on.
	c.must("POST", "/api/people", `{"name":"lev","role":"auditor","password":"`+password+`"}`)
	lev := c.newBrowser()
	c.signIn(lev, "lev", password)
	for _, change := range [][3]string{
		{"POST", "/api/people/mara/role", `{"role":"auditor"}`}, {"POST", "/api/people/MARA/password", `{"password":"` + password + ` two"}`}, {"DELETE", "/api/people/mara", ""},
	} {
		b := c.newBrowser()
		c.signIn(b, "mara", password)
		if !in(b) {
			t.Fatal("not in")
		}
		c.must(change[0], change[1], change[2])
		if in(b) || !in(lev) {
			t.Errorf("after %s: still in: %v; another: %v", change[1], in(b), in(lev))
		}
		if strings.HasSuffix(change[1], "password") {
			c.must("POST", "/api/people/mara/password", `{"password":"`+password+`"}`)
		}
	}
	if status, _, _ := c.signIn(c.newBrowser(), "mara", password); status != http.StatusForbidden {
		t.Errorf("somebody who was removed: %d", status)
	}

	// All of it was told, but for a name that may have been a password.
	told := strings.Join(c.told(), "\n")
	for _, want := range []string{
		"link made|local||", "person added|local|mara|as office", "sign-in|person:mara||as office", "sign-in refused||mara|wrong password", "sign-in refused|||nobody has that name",
		"sign-out|person:mara||", "role changed|local|mara|to auditor", "password changed|local|mara|", "person removed|local|mara|",
	} {
		if !strings.Contains("\n"+told+"\n", "\n"+want+"\n") {
			t.Errorf("%q was not told:\n%s", want, told)
		}
	}
	for what, text := range map[string]string{"the log": c.log.String(), "the access journal": told} {
		for _, secret := range []string{password, "maro", proof.Get("proof"), fixed.Value} {
			if strings.Contains(text, secret) {
				t.Errorf("%s has %q in it:\n%s", what, secret, text)
			}
		}
	}
	// A restart lets nobody stay in; who may sign in may do so again.
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	again := serve(t, c.dir)
	if status, _, _ := again.browse(lev, "/"); status != http.StatusForbidden {
		t.Errorf("after a restart: %d", status)
	}
	if status, _, _ := again.signIn(lev, "lev", password); status != http.StatusSeeOther {
		t.Errorf("signing in after a restart: %d", status)
	}
}

// TestGuessing guesses at a password: it gets slower, for names that nobody has too, and says so in words.
func TestGuessing(t *testing.T) {
	c := newCentre(t)
	c.must("POST", "/api/people", `{"name":"mara","role":"office","password":"`+password+`"}`)
	in := c.newBrowser()
	c.signIn(in, "mara", password)
	for _, name := range []string{"mara", "nobody"} {
		var first int
		for first = 0; ; first++ {
			status, header, body := c.signIn(c.newBrowser(), name, fmt.Sprint("guess number ", first))
			if status == http.StatusForbidden && first < 100 {
				continue
			}
			if status != http.StatusTooManyRequests || header.Get("Retry-After") == "" || !strings.Contains(body, "Too many sign-ins went wrong; try again in") {
				t.Errorf("%s, guess %d: %d %v %s", name, first, status, header, body)
			}
			break
		}
		if first != 5 {
			t.Errorf("%s: %d guesses", name, first)
		}
		if status, _, _ := c.signIn(c.newBrowser(), name, password); status != http.StatusTooManyRequests {
			t.Errorf("%s: the right password among guesses: %d", name, status)
		}
	}
	if status, _, _ := c.browse(in, "/"); status != http.StatusOK {
		t.Errorf("who is in is thrown out: %d", status)
	}
	if status, _, _ := c.browse(c.newBrowser(), c.newLink()); status != http.StatusOK {
		t.Error("the link does not work")
	}
}

type madeToken struct {
	Token, Expires string
	Areas          []string
}

func (c *centre) makeToken(body string) madeToken {
	c.t.Helper()
	var made madeToken
	if err := json.Unmarshal([]byte(c.must("POST", "/api/tokens", body)), &made); err != nil || !strings.HasPrefix(made.Token, "ullage-token-") {
		c.t.Fatalf("%+v %v", made, err)
	}
	return made
}

// TestMadeTokens lets programs in with tokens, as far as each goes.
func TestMadeTokens(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer)
	reads := c.makeToken(`{"name":"billing","role":"auditor","areas":["ledger","audit","audit"],"days":90}`)
	if fmt.Sprint(reads.Areas) != "[audit ledger]" {
		t.Error(reads)
	}
	writes := c.makeToken(`{"name":"register","role":"office","areas":["records"],"days":1}`)
	admin := c.makeToken(`{"name":"keeper","role":"admin","days":400}`)
	for _, x := range []struct {
		token, method, path, body string
		want                      int
	}{
		{reads.Token, "GET", "/api/audit", "", 200}, {reads.Token, "GET", "/api/ledger", "", 200}, {reads.Token, "GET", "/api/machine", "", 403},
		{reads.Token, "POST", "/api/records", site, 403}, {reads.Token, "GET", "/api/nothing", "", 404}, {reads.Token, "POST", "/api/tokens", `{}`, 403},
		{writes.Token, "POST", "/api/records", site, 200}, {writes.Token, "GET", "/api/audit", "", 403}, {writes.Token, "POST", "/api/codes", `{"name":"tab-1"}`, 403},
		{admin.Token, "GET", "/api/people", "", 200}, {admin.Token, "GET", "/api/access", "", 200}, {admin.Token, "POST", "/api/links", "", 200},
	} {
		if status, body := c.ask(x.token, x.method, x.path, x.body); status != x.want {
			t.Errorf("%s %s: %d %s", x.method, x.path, status, body)
		}
	}
	for _, bad := range []string{
		``, `[]`, `{"name":"x"}`, `{"name":"x","role":"owner","days":1}`, `{"name":"x","role":"office","days":0}`, `{"name":"x","role":"office","days":401}`,
		`{"name":"a b","role":"office","days":1}`, `{"name":"x","role":"office","days":1,"areas":["everything"]}`, `{"name":"x","role":"office","days":1,"scope":1}`,
		`{"name":"x","role":"office","days":1}{}`,
	} {
		if status, body := c.ask(c.token(), "POST", "/api/tokens", bad); status != http.StatusBadRequest || !strings.Contains(body, `"error"`) {
			t.Errorf("%s: %d %s", bad, status, body)
		}
	}
	if status, _ := c.ask(c.token(), "POST", "/api/tokens", `{"name":"Billing","role":"office","days":1}`); status != http.StatusConflict {
		t.Errorf("a name twice: %d", status)
	}

	// An export that is under way ends with its token.
	lines := make([]string, 3000)
	for i := range lines {
		lines[i] = fmt.Sprintf(`{"kind":"note.written","site":"s-1","by":"O1","body":{"text":"%s %d"}}`, strings.Repeat("x", 70), i)
	}
	for range 5 {
		c.record(lines...)
	}
	r := c.request("GET", "/api/export", "")
	r.Header.Set("Authorization", "Bearer "+admin.Token)
	// A narrow way, so that most of it cannot be out already when the token ends.
	narrow := &http.Transport{DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
		conn, err := (&net.Dialer{}).DialContext(ctx, network, address)
		if err != nil {
			return nil, err
		}
		return conn, conn.(*net.TCPConn).SetReadBuffer(4 << 10)
	}}
	defer narrow.CloseIdleConnections()
	answer, err := narrow.RoundTrip(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if _, err := io.ReadFull(answer.Body, make([]byte, 1<<10)); err != nil {
		t.Fatal(err)
	}
	c.must("DELETE", "/api/tokens/keeper", "")
	if rest, err := io.Copy(io.Discard, answer.Body); err == nil {
		t.Errorf("an export went on to its end, %d bytes, without its token", rest)
	}
	if status, _ := c.ask(admin.Token, "GET", "/api/people", ""); status != http.StatusUnauthorized {
		t.Errorf("a revoked token: %d", status)
	}

	// One that has run out is refused, and told once.
	path := filepath.Join(c.dir, "keys", "tokens", "billing.json")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, regexp.MustCompile(`"expires": \d+`).ReplaceAll(b, []byte(`"expires": 1`)), 0o600); err != nil {
		t.Fatal(err)
	}
	c = serve(t, c.dir)
	for range 3 {
		if status, body := c.ask(reads.Token, "GET", "/api/audit", ""); status != http.StatusUnauthorized || !strings.Contains(body, "billing ran out at 1970-01-01") {
			t.Errorf("a token that has run out: %d %s", status, body)
		}
	}
	if status, _ := c.ask(writes.Token, "POST", "/api/records", site); status != http.StatusOK {
		t.Errorf("another after a restart: %d", status)
	}
	told := strings.Join(c.told(), "\n")
	for want, times := range map[string]int{
		"token made|local|billing|as auditor for audit, ledger, 90 days": 1, "token made|local|keeper|as admin, 400 days": 1, "token revoked|local|keeper|": 1,
		"token expired||billing|further uses are told once an hour": 1, "link made|token:keeper||": 1,
	} {
		if got := strings.Count("\n"+told+"\n", "\n"+want+"\n"); got != times {
			t.Errorf("%q was told %d times:\n%s", want, got, told)
		}
	}
	if strings.Contains(c.log.String()+told, "ullage-token-") {
		t.Error("a token is told")
	}
	if body := c.must("GET", "/api/tokens", ""); strings.Contains(body, "ullage-token-") || !strings.Contains(body, `"name":"billing","role":"auditor","areas":["audit","ledger"]`) || !strings.Contains(body, `"expired":true`) {
		t.Error(body)
	}
}

// TestEvidenceTold reads evidence in each way; each request is one line, with each piece once.
func TestEvidenceTold(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer, strings.Replace(strings.Replace(site, "s-1", "s-2", 1), "Quay shed", "Hill shed", 1))
	c.must("POST", "/api/people", `{"name":"mara","role":"auditor","password":"`+password+`"}`)
	b := c.newBrowser()
	c.signIn(b, "mara", password)
	type line struct {
		Act, Who, Through string
		Digests           []string
	}
	last := func() (reads []line) {
		t.Helper()
		var answer struct{ Lines []line }
		if err := json.Unmarshal([]byte(c.must("GET", "/api/access", "")), &answer); err != nil {
			t.Fatal(err)
		}
		for _, l := range answer.Lines {
			if l.Act == "evidence read" {
				reads = append(reads, l)
			}
		}
		return reads
	}
	before := 0
	expect := func(who, through string, digests int) {
		t.Helper()
		reads := last()
		if digests == 0 {
			if len(reads) != before {
				t.Errorf("%s is told, and read nothing", through)
			}
			return
		}
		if before++; len(reads) != before {
			t.Fatalf("%d lines after %s, want %d", len(reads), through, before)
		}
		if l := reads[before-1]; l.Who != who || l.Through != through || len(l.Digests) != digests || len(l.Digests[0]) != 64 {
			t.Errorf("%s by %s: %+v", through, who, l)
		}
	}
	c.browse(b, "/")
	expect("person:mara", "GET /", 1)
	c.browse(b, "/machines/m-1")
	expect("person:mara", "GET /machines/m-1", 1)
	c.get("/api/audit")
	expect("local", "GET /api/audit", 2)
	c.get("/api/export")
	expect("local", "GET /api/export", 2)
	c.get("/api/ledger")
	expect("local", "GET /api/ledger", 0)
	c.record(site) // is only compared
	expect("local", "POST /api/records", 0)

	// by and since narrow it.
	for query, want := range map[string]string{"by=mara": "person:mara", "by=person:mara": "person:mara", "by=local": "local"} {
		body := c.must("GET", "/api/access?"+query, "")
		if !strings.Contains(body, `"who":"`+want+`"`) || strings.Count(body, `"who":"`) != strings.Count(body, `"who":"`+want+`"`) || strings.Count(body, `"n":`) < 3 {
			t.Errorf("%s: %s", query, body)
		}
	}
	if body := c.must("GET", "/api/access?since=2999-01-01", ""); !strings.Contains(body, `"lines":[]`) || !strings.Contains(body, `"broken":[]`) {
		t.Error(body)
	}
	if status, _ := c.ask(c.token(), "GET", "/api/access?since=yesterday", ""); status != http.StatusBadRequest {
		t.Errorf("a bad time: %d", status)
	}

	// A line that somebody changes is found, at once and after a restart.
	path := filepath.Join(c.dir, "access", "journal.ndjson")
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, bytes.Replace(good, []byte("person:mara"), []byte("person:mary"), 1), 0o600); err != nil {
		t.Fatal(err)
	}
	changed := func() {
		t.Helper()
		if body := c.must("GET", "/api/access", ""); strings.Count(body, `"why":"it does not follow`) != 1 {
			t.Errorf("the change is not found: %s", body)
		}
	}
	changed()
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	c = serve(t, c.dir)
	if body := c.get("/api/alarms"); strings.Count(body, `"kind":"access-changed"`) != 1 || !strings.Contains(c.log.String(), "ALARM access-changed-1") {
		t.Errorf("it raised no alarm: %s\n%s", body, c.log)
	}
	changed()
}
