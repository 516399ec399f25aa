package desk_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"ullage/cmd/internal/desk"
	"ullage/syncd"
)

// The whole centre, with its desk, over real HTTP. It is tested here because only here both halves may be imported.

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// words is a log that many may write to.
type words struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (w *words) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b.Write(p)
}

func (w *words) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.b.String()
}

// centre is one that is served.
type centre struct {
	t    *testing.T
	dir  string
	log  *words
	at   syncd.Addresses
	link string
	stop func() error // ends it; what Serve and Close returned
	http *http.Client
	tls  *tls.Config // that trusts its certificates
}

func config(dir string, log *words) syncd.Config {
	l := slog.New(slog.NewTextHandler(log, nil))
	return syncd.Config{Dir: dir, Log: l, OpenDesk: desk.Opener(l)}
}

// serve opens and serves a centre in dir, until the test ends or stop is called.
func serve(t *testing.T, dir string, change ...func(*syncd.Config)) *centre {
	t.Helper()
	c := &centre{t: t, dir: dir, log: &words{}}
	cfg := config(dir, c.log)
	for _, f := range change {
		f(&cfg)
	}
	opened, err := syncd.Open(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ready, ended := make(chan struct{}), make(chan error, 1)
	go func() {
		err := opened.Serve(ctx, func(a syncd.Addresses, link string) {
			c.at, c.link = a, link
			close(ready)
		})
		if e := opened.Close(); err == nil {
			err = e
		}
		ended <- err
	}()
	pool := x509.NewCertPool()
	if pem, err := os.ReadFile(filepath.Join(dir, "ca.pem")); err != nil || !pool.AppendCertsFromPEM(pem) {
		t.Fatalf("ca.pem: %v", err)
	}
	c.tls = &tls.Config{RootCAs: pool}
	c.http = &http.Client{Transport: &http.Transport{TLSClientConfig: c.tls}, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	var once sync.Once
	c.stop = func() (err error) {
		once.Do(func() {
			c.http.CloseIdleConnections()
			cancel()
			err = <-ended
		})
		return err
	}
	t.Cleanup(func() {
		if err := c.stop(); err != nil {
			t.Errorf("the end of the centre: %v", err)
		}
	})
	select {
	case <-ready:
	case err := <-ended:
		ended <- err
		t.Fatalf("the centre is not ready: %v", err)
	case <-time.After(20 * time.Second):
		t.Fatalf("the centre is not ready after 20 s\n%s", c.log)
	}
	return c
}

func newCentre(t *testing.T) *centre { return serve(t, filepath.Join(t.TempDir(), "c")) }

func (c *centre) token() string {
	c.t.Helper()
	b, err := os.ReadFile(filepath.Join(c.dir, "token"))
	if err != nil {
		c.t.Fatal(err)
	}
	return strings.TrimSpace(string(b))
}

// request makes one to the office, with the token.
func (c *centre) request(method, path, body string) *http.Request {
	c.t.Helper()
	r, err := http.NewRequest(method, c.at.Office+path, strings.NewReader(body))
	if err != nil {
		c.t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+c.token())
	return r
}

// do sends a request, and returns status, headers and the whole body.
func (c *centre) do(r *http.Request) (int, http.Header, string) {
	c.t.Helper()
	return c.send(c.http, r)
}

func (c *centre) send(by *http.Client, r *http.Request) (int, http.Header, string) {
	c.t.Helper()
	answer, err := by.Do(r)
	if err != nil {
		c.t.Fatal(err)
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err != nil {
		c.t.Fatal(err)
	}
	return answer.StatusCode, answer.Header, string(b)
}

// get asks the API a question that has an answer.
func (c *centre) get(path string, query ...string) string {
	c.t.Helper()
	status, _, body := c.do(c.request("GET", path+asQuery(query), ""))
	if status != http.StatusOK {
		c.t.Fatalf("GET %s: %d %s", path, status, body)
	}
	return body
}

func asQuery(pairs []string) string {
	q := url.Values{}
	for i := 0; i < len(pairs); i += 2 {
		q.Add(pairs[i], pairs[i+1])
	}
	return "?" + q.Encode()
}

// record records lines as the office, and returns the answers.
func (c *centre) record(lines ...string) []answer {
	c.t.Helper()
	status, _, body := c.do(c.request("POST", "/api/records", strings.Join(lines, "\n")))
	if status != http.StatusOK {
		c.t.Fatalf("record: %d %s", status, body)
	}
	var all []answer
	for d := json.NewDecoder(strings.NewReader(body)); d.More(); {
		var a answer
		if err := d.Decode(&a); err != nil {
			c.t.Fatal(err)
		}
		all = append(all, a)
	}
	return all
}

type answer struct {
	Seq   int
	ID    string
	Visit *string
	Again bool
}

// listed is a record of the audit.
type listed struct {
	ID, Device, Kind, State, Stage, Machine, Visit string
	Seq                                            int
	Body                                           json.RawMessage
}

func (c *centre) audit(query ...string) []listed {
	c.t.Helper()
	var list struct{ Records []listed }
	if err := json.Unmarshal([]byte(c.get("/api/audit", query...)), &list); err != nil {
		c.t.Fatal(err)
	}
	return list.Records
}

// Lines of a small company.
const (
	site    = `{"kind":"site.entered","done":"2026-03-01T08:00:00+01:00","site":"s-1","body":{"name":"Quay shed"}}`
	washer  = `{"kind":"machine.entered","done":"2026-03-01T08:00:00+01:00","site":"s-1","machine":"m-1","body":{"class":"sink"}}`
	arrival = `{"kind":"reading.taken","done":"2026-03-02T09:00:00+01:00","site":"s-1","machine":"m-1","visit":"v1","by":"T1","body":{"quantity":"volume","value":100,"u":1,"method":"dip","moment":"arrival"}}`
	left    = `{"kind":"reading.taken","done":"2026-03-02T10:00:00+01:00","site":"s-1","machine":"m-1","visit":"v1","by":"T1","body":{"quantity":"volume","value":80,"u":1,"method":"dip","moment":"departure"}}`
)
