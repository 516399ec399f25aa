package desk_test

import (
	"encoding/json"
	"net/http"
	"net/http/cookiejar"
	"strings"
	"testing"
)

// browse looks at a page, with the cookies of a browser.
func (c *centre) browse(b *http.Client, path string) (int, http.Header, string) {
	c.t.Helper()
	r := c.request("GET", strings.TrimPrefix(path, c.at.Office), "")
	r.Header.Del("Authorization")
	return c.send(b, r)
}

func (c *centre) newBrowser() *http.Client {
	jar, err := cookiejar.New(nil)
	if err != nil {
		c.t.Fatal(err)
	}
	return &http.Client{Jar: jar, Transport: c.http.Transport, CheckRedirect: c.http.CheckRedirect}
}

func (c *centre) newLink() string {
	c.t.Helper()
	status, _, body := c.do(c.request("POST", "/api/links", ""))
	var answer struct{ Path string }
	if err := json.Unmarshal([]byte(body), &answer); err != nil || status != 200 {
		c.t.Fatalf("%d %s", status, body)
	}
	return c.at.Office + answer.Path
}

// TestDoor goes in by a link, which works once and for one browser.
func TestDoor(t *testing.T) {
	c := newCentre(t)
	first, second := c.newBrowser(), c.newBrowser()
	closed := func(b *http.Client, path string) {
		t.Helper()
		status, header, body := c.browse(b, path)
		if status != http.StatusForbidden || !strings.Contains(body, "This page is closed") || strings.Contains(body, "Machines</h1>") {
			t.Errorf("%s: %d %s", path, status, body)
		}
		if header.Get("Content-Type") != "text/html; charset=utf-8" || header.Get("Cache-Control") != "no-store" || header.Get("Set-Cookie") != "" {
			t.Errorf("%s: headers %v", path, header)
		}
	}
	for _, path := range []string{"/", "/machines/m-1", "/in", "/in?ticket=", "/in?ticket=" + strings.Repeat("0", 64), "/nothing"} {
		closed(first, path)
	}
	status, header, body := c.browse(first, c.link)
	cookie := header.Get("Set-Cookie")
	if status != 200 || header.Get("Refresh") != "0; url=/" || !strings.Contains(body, "You are in") {
		t.Fatalf("the link: %d %v %s", status, header, body)
	}
	for _, want := range []string{"ullage-office-", "HttpOnly", "SameSite=Strict", "Path=/", "Max-Age=43200"} {
		if !strings.Contains(cookie, want) {
			t.Errorf("cookie %q lacks %q", cookie, want)
		}
	}
	if status, _, body := c.browse(first, "/"); status != 200 || !strings.Contains(body, "No record of a machine") {
		t.Errorf("inside: %d %s", status, body)
	}
	closed(second, c.link)                                      // it was used
	if status, _, _ := c.browse(first, c.link); status != 200 { // who is inside is led on
		t.Errorf("the same browser again: %d", status)
	}
	if status, _, _ := c.browse(second, c.newLink()); status != 200 {
		t.Errorf("a second link: %d", status)
	}
	if status, _, _ := c.browse(second, "/"); status != 200 {
		t.Errorf("the second browser: %d", status)
	}
	if status, _, body := c.browse(first, "/nothing"); status != 404 || !strings.Contains(body, "There is no such page.") {
		t.Errorf("no such page: %d %s", status, body)
	}
	if status, _, body := c.browse(first, "/machines/m-9"); status != 404 || !strings.Contains(body, "m-9") {
		t.Errorf("no such machine: %d %s", status, body)
	}
	// A cookie is good for looking only.
	r := c.request("POST", "/api/links", "")
	r.Header.Del("Authorization")
	r.Header.Set("Cookie", strings.Split(cookie, ";")[0])
	if status, _, _ := c.do(r); status != http.StatusUnauthorized {
		t.Errorf("the API with a cookie: %d", status)
	}
	// Another centre's cookie has another name.
	r = c.request("GET", "/", "")
	r.Header.Del("Authorization")
	r.Header.Set("Cookie", strings.Replace(strings.Split(cookie, ";")[0], "office-", "office-9", 1))
	if status, _, _ := c.do(r); status != http.StatusForbidden {
		t.Errorf("a cookie of another name: %d", status)
	}
	if status, header, _ := c.browse(second, "/style.css"); status != 200 || !strings.HasPrefix(header.Get("Content-Type"), "text/css") {
		t.Errorf("style: %d %v", status, header)
	}
	if log := c.log.String(); strings.Contains(log, "ticket=") || strings.Contains(log, strings.TrimPrefix(c.link, c.at.Office)) {
		t.Errorf("a ticket is in the log:\n%s", log)
	}

	// A new start closes the door to all.
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	again := serve(t, c.dir)
	if status, _, _ := again.browse(first, "/"); status != http.StatusForbidden {
		t.Errorf("after a new start: %d", status)
	}
}
