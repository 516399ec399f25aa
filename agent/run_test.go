package agent_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"ullage/agent"
	"ullage/agent/journal"
	"ullage/events/entry"
	"ullage/events/wire"
)

// running runs the device in a folder for the rest of the test, and returns the page's address.
func running(t *testing.T, dir string, cfg agent.Config) string {
	t.Helper()
	d, err := agent.Open(t.Context(), dir, cfg)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ready := make(chan string, 1)
	var run sync.WaitGroup
	run.Go(func() {
		if err := d.Run(ctx, "127.0.0.1:0", func(url string) { ready <- url }); err != nil {
			t.Errorf("Run: %v", err)
		}
		if err := d.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	})
	t.Cleanup(func() {
		cancel()
		run.Wait()
		if _, err := os.Stat(filepath.Join(dir, "agent.json")); err == nil {
			t.Error("agent.json was left behind")
		}
	})
	return <-ready
}

// eventually waits for a condition.
func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for until := time.Now().Add(10 * time.Second); !is(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(until) {
			t.Fatalf("not within ten seconds: %s", what)
		}
	}
}

func TestRunSendsAtOnceAndTakesHandover(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	running(t, dir, config())
	way, err := agent.Reach(t.Context(), dir, config())
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := way.(*agent.Running); !ok {
		t.Fatalf("Reach gives a %T", way)
	}
	answers, err := way.Record(t.Context(), strings.NewReader(visit(3)))
	if err != nil || len(answers) != 5 || answers[4].Seq != 5 || answers[0].Visit.IsZero() {
		t.Fatalf("Record: %v, %v", answers, err)
	}
	eventually(t, "it is received without being asked", func() bool {
		s, err := agent.Look(dir)
		return err == nil && s.Received == 5 && s.Waiting == 0
	})
	// A bad line: nothing of the call.
	var bad *entry.LineError
	if _, err := way.Record(t.Context(), strings.NewReader(visit(1)+"{}\n")); !errors.As(err, &bad) || bad.Line != 4 {
		t.Errorf("Record of a bad line: %v", err)
	}
	if s, err := agent.Look(dir); err != nil || s.Records != 5 {
		t.Errorf("after a bad line: %+v, %v", s, err)
	}
	var seen int
	if notice, err := way.Sync(t.Context(), func(agent.Status) { seen++ }); err != nil || notice != nil || seen == 0 {
		t.Errorf("Sync: %v, %v, told %d times", notice, err, seen)
	}
	// A new record goes out without a new hello.
	c.failing(nil)
	if _, err := way.Record(t.Context(), strings.NewReader(visit(0))); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the second visit is received", func() bool {
		s, err := agent.Look(dir)
		return err == nil && s.Received == 7
	})
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, v := range c.verbs {
		if v != wire.Push {
			t.Errorf("requests %v", c.verbs)
			break
		}
	}
}

// TestStreamIsAnsweredLineByLine writes a line only when the one before it is answered.
func TestStreamIsAnsweredLineByLine(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	running(t, dir, config())
	way, err := agent.Reach(t.Context(), dir, config())
	if err != nil {
		t.Fatal(err)
	}
	r, w := io.Pipe()
	answered := make(chan string)
	go func() {
		defer w.Close()
		for _, line := range strings.Split(strings.TrimSpace(visit(2)+`{"kind":"no.such"}`), "\n") {
			if _, err := io.WriteString(w, line+"\n"); err != nil {
				return
			}
			select {
			case <-answered:
			case <-time.After(10 * time.Second):
				w.CloseWithError(errors.New("no answer to " + line))
				return
			}
		}
	}()
	var good []entry.Answer
	n, err := way.Stream(t.Context(), r,
		func(a entry.Answer) error { good = append(good, a); answered <- "good"; return nil },
		func(e *entry.LineError) error {
			if e.Line != 5 || !strings.HasPrefix(agent.LineText(e), "kind: ") {
				t.Errorf("bad line %d: %q", e.Line, agent.LineText(e))
			}
			answered <- "bad"
			return nil
		})
	if err != nil || n != 1 || len(good) != 4 || good[0].Visit != good[3].Visit {
		t.Errorf("Stream: %d, %v, %v", n, err, good)
	}
}

func TestHandlerGuards(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	url := running(t, dir, config())
	var at struct{ URL, Token string }
	b, err := os.ReadFile(filepath.Join(dir, "agent.json"))
	if err == nil {
		err = json.Unmarshal(b, &at)
	}
	if info, serr := os.Stat(filepath.Join(dir, "agent.json")); err != nil || serr != nil || info.Mode().Perm() != 0o600 || at.URL != url {
		t.Fatalf("agent.json: %v %v %q", err, serr, at.URL)
	}
	port := strings.TrimSuffix(url[strings.LastIndex(url, ":"):], "/")
	for _, try := range []struct {
		method, path, host, token string
		want                      int
	}{
		{"GET", "", "", "", 200}, {"GET", "page.css", "", "", 200}, {"GET", "status", "", "", 200},
		{"GET", "", "localhost" + port, "", 200}, {"GET", "", "[::1]" + port, "", 200},
		{"GET", "", "evil.example" + port, "", 421}, {"GET", "status", "evil.example", "", 421}, {"GET", "", "127.0.0.1:1", "", 421},
		{"POST", "record", "evil.example" + port, at.Token, 421},
		{"POST", "record", "", "", 401}, {"POST", "sync", "", "wrong", 401}, {"POST", "record", "", at.Token, 200},
		{"GET", "record", "", at.Token, 405}, {"GET", "keys/seal.pem", "", at.Token, 404}, {"POST", "", "", at.Token, 405},
	} {
		q, err := http.NewRequestWithContext(t.Context(), try.method, url+try.path, nil)
		if err != nil {
			t.Fatal(err)
		}
		q.Close = true
		if try.host != "" {
			q.Host = try.host
		}
		if try.token != "" {
			q.Header.Set("Authorization", "Bearer "+try.token)
		}
		resp, err := http.DefaultClient.Do(q)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != try.want {
			t.Errorf("%s %s as %q with token %t: %d, want %d", try.method, try.path, try.host, try.token != "", resp.StatusCode, try.want)
		}
	}
}

func TestRunRecoversByItself(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	c.failing(func(n int, _ wire.Verb) fault {
		if n < 3 {
			return cutAfter
		}
		return fine
	})
	running(t, dir, config())
	way, err := agent.Reach(t.Context(), dir, config())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := way.Record(t.Context(), strings.NewReader(visit(3))); err != nil {
		t.Fatal(err)
	}
	eventually(t, "it is received", func() bool {
		s, err := agent.Look(dir)
		return err == nil && s.Received == 5
	})
}

func TestRunTellsWhyItWaits(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	c.failing(func(_ int, verb wire.Verb) fault {
		if verb == wire.Push {
			return isRefuse
		}
		return fine
	})
	running(t, dir, config())
	way, err := agent.Reach(t.Context(), dir, config())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := way.Record(t.Context(), strings.NewReader(visit(1))); err != nil {
		t.Fatal(err)
	}
	if _, err := way.Sync(t.Context(), nil); err == nil || !strings.Contains(err.Error(), "it smells") {
		t.Errorf("Sync: %v", err)
	}
	s, err := agent.Look(dir)
	if err != nil || s.Waiting != 3 || len(s.Alarms) != 1 {
		t.Errorf("%+v, %v", s, err)
	}
}

func TestHolderIsNamed(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	opened(t, dir, config())
	_, err := agent.Reach(t.Context(), dir, config())
	var used *agent.InUse
	if !errors.As(err, &used) || !errors.Is(err, journal.ErrLocked) || !strings.Contains(err.Error(), "by process") {
		t.Errorf("Reach: %v", err)
	}
}

// TestLeftBehind finds the way where a process that was killed has left its address.
func TestLeftBehind(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	if err := os.WriteFile(filepath.Join(dir, "agent.json"), []byte(`{"url":"http://127.0.0.1:1/","token":"x"}`), 0o600); err != nil {
		t.Fatal(err)
	}
	way, err := agent.Reach(t.Context(), dir, config())
	if err != nil {
		t.Fatal(err)
	}
	defer way.Close()
	if _, ok := way.(*agent.Device); !ok {
		t.Errorf("Reach gives a %T", way)
	}
}

func TestExport(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	long := strings.Repeat("a long remark ", 20)
	record(t, d, visit(1)+`{"kind":"note.written","site":"yard","by":"T1","body":{"text":"`+long+`"}}`+"\n")
	var b strings.Builder
	if err := agent.Export(t.Context(), dir, &b); err != nil {
		t.Fatal(err)
	}
	in := bufio.NewScanner(strings.NewReader(b.String()))
	n := 0
	for in.Scan() {
		n++
		if !json.Valid(in.Bytes()) {
			t.Errorf("line %d is no JSON: %s", n, in.Text())
		}
	}
	if n != 4 || !strings.Contains(b.String(), long) {
		t.Errorf("%d lines: %s", n, b.String())
	}
	// Another device keeps the same content of them.
	if _, err := d.Record(t.Context(), strings.NewReader(b.String())); err != nil {
		t.Errorf("read back: %v", err)
	}
	report, err := agent.Check(t.Context(), dir)
	if err != nil || !report.OK || report.Evidence != 2 {
		t.Fatalf("Check: %+v, %v", report, err)
	}
	if err := os.RemoveAll(filepath.Join(dir, "evidence", "pieces")); err != nil {
		t.Fatal(err)
	}
	report, err = agent.Check(t.Context(), dir)
	if err != nil || report.OK || len(report.Problems) != 2 {
		t.Errorf("Check without the pieces: %+v, %v", report, err)
	}
}

// TestRunComesBackByItself asks the centre for what is new now and then, while nothing waits.
func TestRunComesBackByItself(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	cfg := config()
	cfg.Every = 50 * time.Millisecond
	running(t, dir, cfg)
	eventually(t, "three pulls", func() bool {
		c.mu.Lock()
		defer c.mu.Unlock()
		pulls := 0
		for _, v := range c.verbs {
			if v == wire.Pull {
				pulls++
			}
		}
		return pulls >= 3
	})
}
