package cluster

import (
	"bytes"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"ullage/agent"
	"ullage/cmd/internal/syncdcli"
	"ullage/syncd"
)

// world is a cluster of three message servers, and the centres that use it.
type world struct {
	t       *testing.T
	dir     string
	net     *network
	servers []*process
	seats   []*seat
}

const size = 3

// newWorld sets a cluster up, as an operator would, and starts it.
func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{t: t, dir: t.TempDir(), net: newNetwork(t, size), servers: make([]*process, size)}
	args := []string{"nats-config", "--dir", filepath.Join(w.dir, "centre"), "--to", filepath.Join(w.dir, "servers")}
	for i := range size {
		args = append(args, "--server", w.net.server(i))
	}
	w.command(args...)
	for i := range size {
		w.start(i)
	}
	return w
}

// command runs the centre's command line, which has to do what it is told.
func (w *world) command(args ...string) string {
	w.t.Helper()
	var out, words bytes.Buffer
	if code := syncdcli.Main(args, strings.NewReader(""), &out, &words); code != 0 {
		w.t.Fatalf("ullage-syncd %s: exit %d\n%s%s", strings.Join(args, " "), code, out.String(), words.String())
	}
	return out.String()
}

func (w *world) folder(i int) string { return filepath.Join(w.dir, "servers", string(rune('a'+i))) }

func (w *world) start(i int) {
	w.t.Helper()
	w.servers[i] = w.net.start(i, w.folder(i), filepath.Join(w.folder(i), "log"))
}

func (w *world) kill(i int) { w.servers[i].kill() }

func (w *world) urls() string {
	var all []string
	for i := range size {
		all = append(all, w.net.url(i))
	}
	return strings.Join(all, ",")
}

// seat is a centre that uses the cluster.
type seat struct {
	*process
	w    *world
	dir  string
	at   syncd.Addresses
	args []string // beside the folder
}

// serve starts a centre on the cluster, and waits until it is ready.
func (w *world) serve(dir string, args ...string) *seat {
	w.t.Helper()
	return w.serveWith(dir, append([]string{"--nats", w.urls()}, args...)...)
}

func (w *world) serveWith(dir string, args ...string) *seat {
	w.t.Helper()
	s := &seat{w: w, dir: dir, args: args}
	s.start()
	w.seats = append(w.seats, s)
	return s
}

// begin starts the process.
func (s *seat) begin() {
	s.w.t.Helper()
	s.process = start(s.w.t, asCentre, s.w.dir, filepath.Join(s.w.dir, filepath.Base(s.dir)+".log"),
		append([]string{"serve", "--dir", s.dir}, s.args...), nil)
}

func (s *seat) start() {
	s.w.t.Helper()
	s.begin()
	eventually(s.w.t, s.dir+" serves", 40*time.Second, func() bool {
		if !s.runs() {
			s.w.t.Fatalf("the centre ended:\n%s", s.said())
		}
		b, err := os.ReadFile(filepath.Join(s.dir, "centre.json"))
		return err == nil && json.Unmarshal(b, &s.at) == nil
	})
}

// end ends it as an operator does.
func (s *seat) end() {
	s.w.t.Helper()
	s.signal(syscall.SIGTERM)
	select {
	case <-s.gone:
	case <-time.After(20 * time.Second):
		s.w.t.Fatalf("the centre does not end:\n%s", s.said())
	}
}

// ask asks the office's API, and fails where it does not answer well.
func (s *seat) ask(method, path, body string) string {
	s.w.t.Helper()
	answer, err := s.try(method, path, body)
	if err != nil {
		s.w.t.Fatalf("%s %s %s: %v\n%s", method, path, body, err, s.said())
	}
	return answer
}

var client = &http.Client{Timeout: time.Minute, Transport: &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{MinVersion: tls.VersionTLS13}}}

func (s *seat) try(method, path, body string) (string, error) {
	token, err := os.ReadFile(filepath.Join(s.dir, "token"))
	if err != nil {
		return "", err
	}
	r, err := http.NewRequest(method, s.at.Office+path, strings.NewReader(body))
	if err != nil {
		return "", err
	}
	r.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(token)))
	answer, err := client.Do(r)
	if err != nil {
		return "", err
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(answer.Body)
	if err == nil && answer.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", answer.Status, b)
	}
	return string(b), err
}

// enrol makes a device, by a code of this centre.
func (s *seat) enrol(name string) string {
	s.w.t.Helper()
	dir := filepath.Join(s.w.dir, name)
	if _, err := agent.Enrol(s.w.t.Context(), dir, "", s.code(name), agent.Config{}); err != nil {
		s.w.t.Fatalf("enrol %s: %v\n%s", name, err, s.said())
	}
	return dir
}
