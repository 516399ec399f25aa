package officecli

import (
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestPeople sends what each command should, and passwords nowhere but in the body.
func TestPeople(t *testing.T) {
	t.Setenv("ULLAGE_DIR", "")
	var sent string
	url := centre(t, func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		sent = r.Method + " " + r.URL.RequestURI() + " " + string(b)
		io.WriteString(w, `{}`)
	})
	at := []string{"--centre", url, "--token-file", tokenFile(t)}
	bytes := filepath.Join(t.TempDir(), "bytes")
	if err := os.WriteFile(bytes, []byte("five small red sheds\xff"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		args   string
		stdin  string
		status int
		sent   string
		words  string
	}{
		{"person add mara --role office --password-file -", "five small red sheds\n", 0, `POST /api/people {"name":"mara","password":"five small red sheds","role":"office"}`, "mara can sign in"},
		{"person add mara --role office --password-file " + bytes, "", 1, "", "UTF-8"},
		{"person add mara --role office --password-file -", "two\nlines\n", 1, "", "one line"},
		{"person add mara --role office", "five small red sheds\n", 2, "", "no terminal"},
		{"person add mara --password-file -", "five small red sheds\n", 2, "", "role"},
		{"person password a/b --password-file -", "five small red sheds", 0, `POST /api/people/a%2Fb/password {"password":"five small red sheds"}`, "sign in anew"},
		{"person role mara admin", "", 0, `POST /api/people/mara/role {"role":"admin"}`, "another role"},
		{"person remove mara", "", 0, `DELETE /api/people/mara `, "mara is out"},
		{"person remove", "", 2, "", "usage"},
		{"token revoke billing", "", 0, `DELETE /api/tokens/billing `, "the token billing"},
		{"token make b --role office --days 3 --area audit --area due", "", 0, `POST /api/tokens {"name":"b","role":"office","areas":["audit","due"],"days":3}`, "Keep it"},
	} {
		sent = ""
		status, _, words := run(x.stdin, append(strings.Fields(x.args), at...)...)
		if status != x.status || sent != x.sent || !strings.Contains(words, x.words) {
			t.Errorf("%s: %d %q\nsent %s\nwant %s", x.args, status, words, sent, x.sent)
		}
	}
}

// TestAccess shows the access journal, and says at the end that it was changed.
func TestAccess(t *testing.T) {
	t.Setenv("ULLAGE_DIR", "")
	broken := `[]`
	url := centre(t, func(w http.ResponseWriter, r *http.Request) {
		if got := r.URL.RawQuery; got != "by=mara&since=2026-03-01" {
			t.Errorf("asked with %q", got)
		}
		io.WriteString(w, `{"lines":[{"hash":"00","n":7,"at":"2026-03-02T09:00:00Z","act":"evidence read","who":"person:mara","from":"127.0.0.1","through":"GET /\u001b[2J","digests":["a","b"]},
			{"hash":"01","n":8,"at":"2026-03-02T09:01:00Z","act":"sign-in refused","from":"::1","about":"lev","note":"wrong password"}],
			"left_out":3,"broken":`+broken+`,"size":1234,"last":{"n":8,"hash":"abcd"}}`)
	})
	args := []string{"access", "--by", "mara", "--since", "2026-03-01", "--centre", url, "--token-file", tokenFile(t)}
	status, out, words := run("", args...)
	for _, want := range []string{"7     2026-03-02 09:00+00:00  person:mara  127.0.0.1  evidence read: 2", "-            ::1        sign-in refused, wrong password  lev"} {
		if !strings.Contains(out, want) {
			t.Errorf("%s\nlacks %q", out, want)
		}
	}
	if status != 0 || strings.Contains(out, "\x1b") || words != "3 older lines are not shown; --since and --by narrow it.\nThe journal has 8 lines in 1234 bytes; its last line has the hash abcd.\n" {
		t.Errorf("%d %q %q", status, out, words)
	}
	broken = `[{"line":2,"why":"it does not follow"}]`
	for _, more := range [][]string{nil, {"--json"}} {
		status, out, words = run("", append(args, more...)...)
		if status != 1 || !strings.Contains(words, "CHANGED: line 2: it does not follow\n") || !strings.Contains(words, "not as it was written") || out == "" {
			t.Errorf("%v: %d %q %q", more, status, out, words)
		}
	}
}
