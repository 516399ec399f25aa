package desk_test

import (
	"encoding/json"
	"fmt"
	"html"
	"regexp"
	"strings"
	"testing"
)

// TestHostilePages records what would run, or break out of its place, if a page did not escape it.
func TestHostilePages(t *testing.T) {
	c := newCentre(t)
	hostile := []string{
		`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `</style></title><script>x</script>`, `' onmouseover='x`, `javascript:alert(1)`,
		`{{template "top"}}`, `<!-- `, "&lt;b&gt;", "a\u2028b", strings.Repeat("long", 20),
	}
	q := func(s string) string {
		b, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	for i, text := range hostile {
		c.record(
			fmt.Sprintf(`{"kind":"site.entered","done":"2026-03-01T08:00:00Z","site":"s-1","body":{"name":%s,"hours":%s}}`, q(text), q(text)),
			fmt.Sprintf(`{"kind":"machine.entered","done":"2026-03-01T08:00:00Z","site":"s-1","machine":"m-1","body":{"class":"sink","serial":%s}}`, q(text)),
			fmt.Sprintf(`{"kind":"note.written","done":"2026-03-01T09:00:00Z","site":"s-1","machine":"m-1","body":{"text":%s}}`, q(text)),
			fmt.Sprintf(`{"kind":"fault.found","done":"2026-03-01T10:00:00Z","site":"s-1","machine":"m-1","body":{"fault":%s,"text":%s}}`, q(text), q(strings.Repeat(text, 20))),
			fmt.Sprintf(`{"kind":"part.swapped","done":"2026-03-01T10:00:00Z","site":"s-1","machine":"m-1","body":{"position":"p-%d","in":{"part":"F-1","serial":%s}}}`, i, q(text)),
		)
	}
	b := c.newBrowser()
	c.browse(b, c.newLink())
	for _, path := range []string{"/", "/machines/m-1"} {
		status, _, body := c.browse(b, path)
		if status != 200 {
			t.Fatalf("%s: %d", path, status)
		}
		for _, no := range []string{"<script", "<img", "onerror=alert(1)>", "' onmouseover='", "<!-- ", `href="javascript`} {
			if strings.Contains(body, no) {
				t.Errorf("%s has %q", path, no)
			}
		}
		if !wellFormed(body) {
			t.Errorf("%s: its elements do not match", path)
		}
	}
	_, _, body := c.browse(b, "/machines/m-1")
	for _, text := range hostile[:2] { // all the same it is there to be read
		if !strings.Contains(body, strings.NewReplacer("<", "&lt;", ">", "&gt;", `"`, "&#34;").Replace(text)) {
			t.Errorf("%q is not shown", text)
		}
	}
	// The text of a fault that is too long for a record is kept here, and shown.
	if got := c.get("/api/machine", "machine", "m-1"); !strings.Contains(got, strings.Repeat("long", 100)) {
		t.Error("the long text of a fault is not shown")
	}
	if _, _, body := c.browse(b, "/machines/%3Cscript%3E"); strings.Contains(body, "<script") {
		t.Error("the address of a page comes back as it is")
	}
}

var element = regexp.MustCompile(`<(/?)([a-z0-9]+)[^>]*>`)

// wellFormed tells whether every element that is opened is closed, in its order.
func wellFormed(page string) bool {
	var open []string
	for _, m := range element.FindAllStringSubmatch(page, -1) {
		switch name := m[2]; {
		case name == "meta" || name == "link" || name == "br":
		case m[1] == "":
			open = append(open, name)
		case len(open) == 0 || open[len(open)-1] != name:
			return false
		default:
			open = open[:len(open)-1]
		}
	}
	return len(open) == 0
}

// TestPages reads what the pages say of a visit with a loss and a correction.
func TestPages(t *testing.T) {
	c := newCentre(t)
	answers := c.record(`{"kind":"site.entered","done":"2026-03-01T08:00:00+01:00","site":"s-1","body":{"name":"Quay shed","zone":"Etc/GMT-1"}}`, washer, arrival, left)
	c.record(fmt.Sprintf(`{"kind":"record.amended","done":"2026-03-02T11:00:00Z","body":{"target":%q,"body":{"quantity":"volume","value":70,"u":1,"method":"dip","moment":"departure"},"why":"misread"}}`, answers[3].ID))
	b := c.newBrowser()
	c.browse(b, c.newLink())
	said := func(path string, want ...string) {
		t.Helper()
		_, _, body := c.browse(b, path)
		text := strings.Join(strings.Fields(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(html.UnescapeString(body), " ")), " ")
		for _, w := range want {
			if !strings.Contains(text, w) {
				t.Errorf("%s: %q is not in\n%s", path, w, text)
			}
		}
		if !wellFormed(body) || strings.Contains(text, "0x") || strings.Contains(text, "{") {
			t.Errorf("%s: raw things in\n%s", path, body)
		}
	}
	said("/", "m-1 Quay shed 70 L 2 Mar", ", 10:00", "Say: Between 26 and 34 litres are not explained by what was measured.")
	said("/machines/m-1", "Quay shed sink", "Times are local to the site, UTC+01:00.", "70 L", "Likely between 68 and 72 L",
		"During a visit", "reading taken office-1 4, by T1", "amended , logged", "put right by office-1 5", "about office-1 4", "why misread",
		"u 1 value 80", "body method dip, moment departure, quantity volume, u 1, value 70")
}
