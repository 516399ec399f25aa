package trust

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"ullage/events/wire"
)

func TestEnrolHandler(t *testing.T) {
	var log bytes.Buffer
	var hook error
	clk := newClock()
	tr := open(t, Config{Dir: t.TempDir(), Now: clk.now, Log: slog.New(slog.NewTextHandler(&log, nil)), OnEnrolled: func(Device) error { return hook }})
	srv := httptest.NewServer(tr.EnrolHandler(func() string { return "nats://127.0.0.1:7" }))
	defer srv.Close()

	code := mustCode(t, tr, "tab-1")
	good, err := json.Marshal(newTablet(t).request(code))
	if err != nil {
		t.Fatal(err)
	}
	change := func(old, new string) string {
		s := strings.Replace(string(good), old, new, 1)
		if s == string(good) {
			t.Fatalf("%s is not in %s", old, good)
		}
		return s
	}
	secret := base64.StdEncoding.EncodeToString(code.Secret[:])
	big := `{"software":"` + strings.Repeat("x", wire.MaxEnrol) + `"}`

	for _, test := range []struct {
		name, method, kind, body string
		hook                     error
		status                   int
		says                     string
	}{
		{"a GET", "GET", "application/json", string(good), nil, 405, "POST"},
		{"a form", "POST", "text/plain", string(good), nil, 415, "application/json"},
		{"no type", "POST", "", string(good), nil, 415, "application/json"},
		{"too large", "POST", "application/json", big, nil, 413, "65536"},
		{"nothing", "POST", "application/json", "", nil, 400, "object"},
		{"a list", "POST", "application/json", "[]", nil, 400, "object"},
		{"cut short", "POST", "application/json", string(good[:len(good)-1]), nil, 400, "cut short"},
		{"cut in a field", "POST", "application/json", string(good[:len(good)-20]), nil, 400, ""},
		{"something behind", "POST", "application/json", string(good) + "{}", nil, 400, "behind"},
		{"an unknown field", "POST", "application/json", change(`{`, `{"more":1,`), nil, 400, "not known"},
		{"capitals", "POST", "application/json", change(`"secret"`, `"Secret"`), nil, 400, "not known"},
		{"a field twice", "POST", "application/json", change(`{`, `{"software":"a",`), nil, 400, "twice"},
		{"a field missing", "POST", "application/json", `{"software":"a"}`, nil, 400, "missing"},
		{"not base64", "POST", "application/json", change(secret, "!"+secret), nil, 400, "secret cannot be read"},
		{"a wrong secret", "POST", "application/json", change(secret, base64.StdEncoding.EncodeToString(make([]byte, 16))), nil, 403, "no such code"},
		{"a bad key", "POST", "application/json", change(`"conn_key":"U`, `"conn_key":"V`), nil, 400, "nkey"},
		{"a hook that refuses", "POST", "application/json", string(good), errors.New("cause within"), 503, "try again"},
		{"all well", "POST", "application/json; charset=utf-8", string(good), nil, 200, "nats://127.0.0.1:7"},
		{"all well, again", "POST", "application/json", string(good), nil, 200, "nats://127.0.0.1:7"},
	} {
		hook = test.hook
		status, said, _ := ask(t, srv.URL+wire.EnrolPath, test.method, test.kind, test.body)
		if status != test.status || !strings.Contains(said, test.says) {
			t.Errorf("%s: %d %s", test.name, status, said)
		}
		if strings.Contains(said, secret) || strings.Contains(said, "cause within") {
			t.Errorf("%s: the answer says too much: %s", test.name, said)
		}
		var refusal wire.EnrolRefusal
		if err := json.Unmarshal([]byte(said), &refusal); err != nil || (status == 200) != (refusal.Error == "") {
			t.Errorf("%s: %s, %v", test.name, said, err)
		}
	}

	wrong := change(secret, base64.StdEncoding.EncodeToString(make([]byte, 16)))
	for range MaxTries {
		ask(t, srv.URL+wire.EnrolPath, "POST", "application/json", wrong)
	}
	if status, said, head := ask(t, srv.URL+wire.EnrolPath, "POST", "application/json", wrong); status != 429 || head.Get("Retry-After") != "60" {
		t.Errorf("too many tries: %d %s %v", status, said, head)
	}
	if status, _, _ := ask(t, srv.URL+"/other", "POST", "application/json", string(good)); status != 404 {
		t.Errorf("elsewhere: %d", status)
	}
	if !strings.Contains(log.String(), "cause within") {
		t.Errorf("the log does not say why the hook refused: %s", &log)
	}
	for _, s := range []string{secret, code.String(), tr.Token()} {
		if strings.Contains(log.String(), s) {
			t.Errorf("a secret is in the log: %s", &log)
		}
	}
}

func ask(t *testing.T, url, method, kind, body string) (int, string, http.Header) {
	t.Helper()
	req, err := http.NewRequest(method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if kind != "" {
		req.Header.Set("Content-Type", kind)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(b), resp.Header
}

// What the device sends is what is read, and nothing that is not of that form is.
func FuzzDecodeEnrol(f *testing.F) {
	f.Add([]byte(`{"secret":"AAAA","seal_key":"AAAA","conn_key":"U","software":"1"}`))
	f.Add([]byte(`{"secret":null,"seal_key":"","conn_key":"","software":""}`))
	f.Add([]byte(`{}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		req, err := decodeEnrol(b)
		if err != nil {
			if req.Secret != nil || req.SealKey != nil || req.ConnKey != "" || req.Software != "" {
				t.Errorf("half filled with an error: %+v", req)
			}
			return
		}
		out, err := json.Marshal(req)
		if err != nil {
			t.Fatal(err)
		}
		again, err := decodeEnrol(out)
		same := bytes.Equal(again.Secret, req.Secret) && bytes.Equal(again.SealKey, req.SealKey) && again.ConnKey == req.ConnKey && again.Software == req.Software
		if err != nil || !same {
			t.Errorf("%s became %+v, then %+v, %v", b, req, again, err)
		}
	})
}
