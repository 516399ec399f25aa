package office

import (
	"crypto/tls"
	"fmt"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"ullage/syncd/trust/people"
)

// TestTickets lets tickets run out, and makes more than the door keeps.
func TestTickets(t *testing.T) {
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	d := newDoor()
	d.now = func() time.Time { return now }
	late := d.ticket()
	now = now.Add(ticketLasts)
	if d.take(late) {
		t.Error("a ticket that has run out lets in")
	}
	if good := d.ticket(); !d.take(good) || d.take(good) {
		t.Error("a good ticket does not let in once")
	}
	first := d.ticket()
	for range mostTickets - 1 {
		now = now.Add(time.Microsecond)
		d.ticket()
	}
	if len(d.tickets) != mostTickets {
		t.Errorf("%d tickets", len(d.tickets))
	}
	d.ticket()
	if d.take(first) || len(d.tickets) != mostTickets {
		t.Errorf("%d tickets, and the first is among them", len(d.tickets))
	}
	now = now.Add(ticketLasts)
	d.ticket()
	if len(d.tickets) != 1 {
		t.Errorf("%d tickets after all but one have run out", len(d.tickets))
	}
}

// TestSessions lets sessions run out by age, by idleness and by their guest, and opens more than one name may have.
func TestSessions(t *testing.T) {
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	d := newDoor()
	d.now = func() time.Time { return now }
	in := func(cookie string) bool { _, ok := d.find(cookie); return ok }
	holds := true
	anna := guest{who: "person:anna", role: people.Office, holds: func() bool { return holds }}
	boris := guest{who: "person:boris", role: people.Office, holds: always}

	one := d.open(anna, "")
	for began := now; now.Before(began.Add(sessionLasts)); now = now.Add(idleLasts - time.Millisecond) {
		if !in(one) {
			t.Fatalf("a session ended after %v", now.Sub(began))
		}
	}
	if in(one) || in("") {
		t.Error("a session outlasts its time")
	}
	one = d.open(anna, "")
	now = now.Add(idleLasts)
	if in(one) {
		t.Error("an idle session lasts")
	}
	one = d.open(anna, "")
	holds = false
	if in(one) {
		t.Error("a session outlasts what its guest was let in by")
	}
	holds = true
	if in(one) {
		t.Error("a session that has ended came back")
	}

	one = d.open(anna, "")
	two := d.open(anna, one)
	if in(one) || !in(two) {
		t.Error("signing in leaves the browser's earlier session open")
	}
	s1, _ := d.find(two)
	s2, _ := d.find(d.open(anna, ""))
	if s1.proof == s2.proof || len(s1.proof) != 64 || s1.proof == two {
		t.Error("proofs are not each session's own")
	}
	other := d.open(boris, "")
	for range mostSessions {
		now = now.Add(time.Second)
		d.open(anna, "")
	}
	if in(two) || !in(other) || len(d.sessions) != mostSessions+1 {
		t.Errorf("%d sessions; the oldest of anna's lasts: %v, boris's lasts: %v", len(d.sessions), in(two), in(other))
	}
	d.shut(other)
	if in(other) {
		t.Error("a session that was shut lasts")
	}
	for key := range d.sessions {
		for _, secret := range []string{two, other} {
			if string(key[:]) == secret {
				t.Error("a secret is kept as it is")
			}
		}
	}
}

func TestCookie(t *testing.T) {
	for _, x := range []struct {
		host   string
		secure bool
		want   string
	}{
		{"127.0.0.1:1", false, "ullage-office-1=s; Path=/; Max-Age=43200; HttpOnly; SameSite=Strict"},
		{"127.0.0.1:2", false, "ullage-office-2=s; Path=/; Max-Age=43200; HttpOnly; SameSite=Strict"},
		{"localhost", false, "ullage-office-80=s; Path=/; Max-Age=43200; HttpOnly; SameSite=Strict"},
		{"centre.example", true, "__Host-ullage-office-443=s; Path=/; Max-Age=43200; HttpOnly; Secure; SameSite=Strict"},
		{"centre.example:8443", true, "__Host-ullage-office-8443=s; Path=/; Max-Age=43200; HttpOnly; Secure; SameSite=Strict"},
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Host = x.host
		if x.secure {
			r.TLS = &tls.ConnectionState{}
		}
		w := httptest.NewRecorder()
		setCookie(w, r, "s")
		if got := w.Header().Get("Set-Cookie"); got != x.want {
			t.Errorf("%s: %s\nwant %s", x.host, got, x.want)
		}
		w = httptest.NewRecorder()
		setCookie(w, r, "")
		if got := (&http.Response{Header: w.Header()}).Cookies(); len(got) != 1 || got[0].MaxAge >= 0 || got[0].Value != "" {
			t.Errorf("%s: taken away by %v", x.host, got)
		}
	}
}

func TestSameOrigin(t *testing.T) {
	for _, x := range []struct {
		site, origin string
		secure, want bool
	}{
		{"same-origin", "http://127.0.0.1:9", false, true},
		{"same-origin", "", false, true},
		{"", "http://127.0.0.1:9", false, true},
		{"same-origin", "https://127.0.0.1:9", true, true},
		{"", "", false, false},
		{"none", "", false, false},
		{"same-site", "http://127.0.0.1:9", false, false},
		{"cross-site", "http://127.0.0.1:9", false, false},
		{"same-origin", "null", false, false},
		{"", "null", false, false},
		{"", "http://127.0.0.1:8", false, false},
		{"", "https://127.0.0.1:9", false, false},
		{"", "http://127.0.0.1:9", true, false},
		{"", "http://127.0.0.1:9.evil.example", false, false},
		{"Same-Origin", "", false, false},
	} {
		r := httptest.NewRequest(http.MethodPost, "/", nil)
		r.Host = "127.0.0.1:9"
		if x.secure {
			r.TLS = &tls.ConnectionState{}
		}
		for name, value := range map[string]string{"Sec-Fetch-Site": x.site, "Origin": x.origin} {
			if value != "" {
				r.Header.Set(name, value)
			}
		}
		if got := sameOrigin(r); got != x.want {
			t.Errorf("%+v: %v", x, got)
		}
	}
}

// TestWithin: signing in leads to our own pages only.
func TestWithin(t *testing.T) {
	for to, want := range map[string]bool{
		"/": true, "/machines/gs-1": true, "/you": true, "": false, "//elsewhere.example": false, "https://elsewhere.example": false, `/\elsewhere.example`: false,
		"/%2f/elsewhere": false, "/a?b": false, "/a/": false, "/../x": false, "/a\n": false, "/a\r\nX: y": false, "/a#b": false,
	} {
		if got := pathWithin.MatchString(to); got != want {
			t.Errorf("%q: %v", to, got)
		}
	}
}

// TestSeldom tells each thing once in a while.
func TestSeldom(t *testing.T) {
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	s := newSeldom()
	s.clock = func() time.Time { return now }
	var got []bool
	for _, step := range []time.Duration{0, 0, seldomTime - 1, 1, -2 * seldomTime, 0} {
		now = now.Add(step)
		got = append(got, s.now("a"))
	}
	got = append(got, s.now("b"))
	if fmt.Sprint(got) != "[true false false true true false true]" {
		t.Error(got)
	}
}
