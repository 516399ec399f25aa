package officecli

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const token = "0123456789abcdef"

// run runs a command line, and returns status, stdout and stderr.
func run(stdin string, args ...string) (int, string, string) {
	var out, words bytes.Buffer
	status := Main(args, strings.NewReader(stdin), &out, &words)
	return status, out.String(), words.String()
}

// tokenFile writes the token of a centre.
func tokenFile(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(path, []byte(token+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// centre answers with what h does; it wants the token.
func centre(t *testing.T, h http.HandlerFunc) string {
	t.Helper()
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if got := r.Header.Get("Authorization"); got != "Bearer "+token {
			t.Errorf("%s: authorization %q", r.URL, got)
		}
		h(w, r)
	}))
	t.Cleanup(s.Close)
	return s.URL
}

// TestWhichCentre names a centre well and badly. The token goes to no address at which others could read it.
func TestWhichCentre(t *testing.T) {
	t.Setenv("ULLAGE_DIR", "")
	url := centre(t, func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, `{"machines":[]}`) })
	file, dir := tokenFile(t), t.TempDir()
	empty := filepath.Join(dir, "empty")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		args   []string
		status int
		words  string
	}{
		{[]string{"--centre", url, "--token-file", file}, 0, ""},
		{[]string{"--centre", url + "/", "--token-file", file}, 0, ""},
		{[]string{"--dir", dir, "--centre", url, "--token-file", file}, 0, ""}, // the address goes first
		{nil, 2, "--dir D"},
		{[]string{"--centre", url}, 2, "--token-file"},
		{[]string{"--centre", "http://192.0.2.1:80", "--token-file", file}, 2, "over the network"},
		{[]string{"--centre", "http://centre.example", "--token-file", file}, 2, "over the network"},
		{[]string{"--centre", "127.0.0.1:80", "--token-file", file}, 2, "address of a centre"},
		{[]string{"--centre", "ftp://127.0.0.1", "--token-file", file}, 2, "address of a centre"},
		{[]string{"--centre", url, "--token-file", file + "-not"}, 1, file + "-not"},
		{[]string{"--centre", url, "--token-file", empty}, 1, "does not hold one line"},
		{[]string{"--centre", "http://127.0.0.1:1", "--token-file", file}, 1, "does not answer"},
		{[]string{"--dir", dir}, 1, "no centre runs in " + dir + "; start it with: ullage-syncd serve --dir " + dir},
		{[]string{"--dir", dir, "--machine", ""}, 2, "--machine is empty"},
	} {
		status, out, words := run("", append([]string{"machine", "--json"}, x.args...)...)
		if status != x.status || !strings.Contains(words, x.words) || status != 0 && out != "" {
			t.Errorf("%q: %d %q %q", x.args, status, out, words)
		}
		if strings.Contains(out+words, token) {
			t.Errorf("%q: the token is printed", x.args)
		}
	}
	// A centre that was killed leaves its addresses.
	if err := os.WriteFile(filepath.Join(dir, "token"), []byte(token), 0o600); err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{
		`{"office":"http://127.0.0.1:1"}`: "no centre runs in " + dir,
		`{"office":""}`:                   "does not hold the addresses",
		`{`:                               "does not hold the addresses",
		`{"office":"` + url + `"}`:        "",
	} {
		if err := os.WriteFile(filepath.Join(dir, "centre.json"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if status, _, words := run("", "machine", "--dir", dir); !strings.Contains(words, want) || (status == 0) != (want == "") {
			t.Errorf("%s: %d %q", text, status, words)
		}
	}
}

// TestAnswers gives the commands what a centre says, and what none would.
func TestAnswers(t *testing.T) {
	t.Setenv("ULLAGE_DIR", "")
	elsewhere := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { t.Errorf("somebody else is asked: %v", r.Header) }))
	defer elsewhere.Close()
	for name, x := range map[string]struct {
		args   []string
		stdin  string
		answer http.HandlerFunc
		status int
		out    string
		words  string
	}{
		"redirection": {[]string{"machine"}, "", func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, elsewhere.URL, http.StatusFound) }, 1, "", "answers 302"},
		"not ours":    {[]string{"machine"}, "", func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, "<html>") }, 1, "", "cannot be read"},
		"refused": {[]string{"machine"}, "", func(w http.ResponseWriter, r *http.Request) {
			w.WriteHeader(404)
			io.WriteString(w, `{"error":"machine m-9: there is no record of it"}`)
		}, 1, "", "ullage: machine m-9: there is no record of it\n"},
		"cut off": {[]string{"machine", "--json"}, "", func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Length", "1000")
			io.WriteString(w, `{"machines":[`)
		}, 1, "", "broke off"},
		"export cut off": {[]string{"export"}, "", func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Length", "1000")
			io.WriteString(w, "{}\n")
		}, 1, "{}\n", "what was written is not all"},
		"questions": {[]string{"audit", "--machine", "m-1", "--known-at", "2026-03-02"}, "", func(w http.ResponseWriter, r *http.Request) {
			if r.URL.String() != "/api/audit?known-at=2026-03-02&machine=m-1" {
				t.Errorf("asked %s", r.URL)
			}
			io.WriteString(w, `{"records":[]}`)
		}, 0, "HAPPENED", ""},
		"record": {[]string{"record", "-"}, "one\ntwo\n", func(w http.ResponseWriter, r *http.Request) {
			b, _ := io.ReadAll(r.Body)
			fmt.Fprintf(w, "{\"got\":%q}\n", b)
		}, 0, "{\"got\":\"one\\ntwo\\n\"}\n", ""},
		"kept": {[]string{"record"}, "one", func(w http.ResponseWriter, r *http.Request) {
			w.WriteHeader(503)
			io.WriteString(w, `{"error":"1 records are kept, and not received yet","kept":[{"seq":7,"id":"x","visit":null}]}`)
		}, 1, "{\"seq\":7,\"id\":\"x\",\"visit\":null}\n", "not received yet"},
		"a file that is not there": {[]string{"record", "no-such-file"}, "", func(http.ResponseWriter, *http.Request) { t.Error("it is asked") }, 1, "", "no-such-file"},
		"enrol":                    {[]string{"enrol", "tab-1"}, "", func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, `{"code":"U1-A-B"}`) }, 0, "U1-A-B\n", "The code works once"},
		"enrol as JSON":            {[]string{"enrol", "tab-1", "--json"}, "", func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, `{"code":"U1-A-B"}`) }, 0, "{\"code\":\"U1-A-B\"}\n", ""},
		"export as both":           {[]string{"export", "--json", "--format", "csv"}, "", func(http.ResponseWriter, *http.Request) { t.Error("it is asked") }, 2, "", "do not go together"},
	} {
		t.Run(name, func(t *testing.T) {
			url := centre(t, x.answer)
			status, out, words := run(x.stdin, append(x.args, "--centre", url, "--token-file", tokenFile(t))...)
			if status != x.status || !strings.HasPrefix(out, x.out) || x.out == "" && out != "" || !strings.Contains(words, x.words) {
				t.Errorf("%d %q %q", status, out, words)
			}
		})
	}
	url := centre(t, func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, `{"path":"/in?ticket=1"}`) })
	if status, out, _ := run("", "link", "--centre", url, "--token-file", tokenFile(t)); status != 0 || out != url+"/in?ticket=1\n" {
		t.Errorf("link: %d %q", status, out)
	}
}

// TestTables makes tables of answers, among them of texts that would move the cursor.
func TestTables(t *testing.T) {
	t.Setenv("ULLAGE_DIR", "")
	answers := map[string]string{
		"machine": `{"machines":[{"machine":"m-1","site":"s-1","volume_l":{"value":80,"u":1,"done":"2026-03-02T10:00:00+01:00"},"readings":{"ph":{"value":7.5,"unit":"[pH]"},"strength":{"value":4,"unit":"%","limit":"below"}},"open_faults":[{}],"records":4},{"machine":"m-2","site":"","volume_l":null,"readings":{},"open_faults":[],"records":0}]}`,
		"ledger":  `{"machine":"m-1","spans":[{"tank":"bath","kind":"visit","from":"2026-03-02T09:00:00+01:00","to":null,"start_l":{"value":100,"u":1},"end_l":null,"added_l":{"value":0,"u":0},"returned_l":{"value":0,"u":0},"told_l":{"value":0,"u":0},"removed_l":{"value":0,"u":0},"spilled_l":{"value":0,"u":0},"expected_loss_l":{"value":0,"u":0},"grade":"say","words":"so"}]}`,
		"audit": `{"records":[{"device":"tab-1","seq":1,"kind":"note.written","done":"2026-03-02T10:00:00+01:00","written":"2026-03-02T10:00:00.123+01:00","received":null,"by":"T1","machine":"m-1","state":"stands","stage":"kept","body":{"text":"` + "\u009b31m\u202e" + strings.Repeat("ä", 200) + `"}},
			{"device":"tab-2","seq":2,"kind":"note.written","done":"2026-01-20T09:00:00Z","written":"2026-01-28T09:00:00Z","received":"2026-07-12T07:00:00Z","not_before":"2026-03-02T09:00:00Z","not_after":"2026-07-12T07:00:00Z","written_likely":"2026-03-09T09:00:00Z","zone":"Europe/Zurich","flags":["clock-off"],"body":{}},
			{"device":"tab-3","seq":3,"kind":"note.written","done":"2026-01-20T09:00:00Z","written":"2035-01-28T09:00:00Z","received":"2026-07-12T07:00:00Z","not_before":null,"not_after":"2026-07-12T07:00:00Z","zone":"Nowhere/At_All","flags":["clock-off"],"body":{}}]}`,
		"restatements": `{"restatements":[{"machine":"m-1","projection":"machine","what":"left/x","old":{"value":1},"new":null}]}`,
		"waste":        `{"sites":[{"site":"s-1","month":"2026-03","fillings":[{"vessel":"p-1/1","contents":null,"use":"waste","l":3,"kg":2.9946,"basis":"estimated","clock_from":"2026-03-02T10:00:00+01:00","handed":null}]}]}`,
		"due":          `{"machines":[{"machine":"m-1","due":null,"why":"no agreement says how often"}]}`,
	}
	url := centre(t, func(w http.ResponseWriter, r *http.Request) {
		io.WriteString(w, answers[strings.TrimPrefix(r.URL.Path, "/api/")])
	})
	file := tokenFile(t)
	for name, want := range map[string][]string{
		"machine": {"m-1      s-1   80.0    2026-03-02 10:00+01:00  7.5  below 4 %  1            4", "m-2            -       -"},
		"ledger":  {"m-1      bath  visit  2026-03-02 09:00+01:00  -   100.0  0.0", "say    so"},
		"audit": {"2026-03-02 10:00+01:00  2026-03-02 10:00+01:00   ", " tab-1 ", `{"text":"`, "ä…",
			"2026-01-20 10:00+01:00  2026-01-28 10:00+01:00 (in fact between 2026-03-02 10:00+01:00 and 2026-07-12 09:00+02:00, likely 2026-03-09 10:00+01:00)  2026-07-12 09:00+02:00  tab-2",
			"2026-01-20 09:00+00:00  2035-01-28 09:00+00:00 (in fact by 2026-07-12 07:00+00:00) "},
		"restatements": {`m-1      machine     left/x  {"value":1}  -`},
		"waste":        {"s-1   2026-03  p-1/1    -         waste  3.0     3.0  estimated  2026-03-02 10:00+01:00  -"},
		"due":          {"m-1      -    no agreement says how often"},
	} {
		status, out, words := run("", name, "--centre", url, "--token-file", file)
		if status != 0 || words != "" {
			t.Errorf("%s: %d %q", name, status, words)
		}
		for _, w := range want {
			if !strings.Contains(out, w) {
				t.Errorf("%s:\n%s\nlacks %q", name, out, w)
			}
		}
		if strings.ContainsAny(out, "\u009b\u202e\x1b") {
			t.Errorf("%s moves the cursor: %q", name, out)
		}
		if status, out, _ := run("", name, "--json", "--centre", url, "--token-file", file); status != 0 || out != answers[name] {
			t.Errorf("%s --json is not what the centre said: %s", name, out)
		}
	}
}
