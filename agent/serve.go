package agent

import (
	"context"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"os"
	"strings"
	"sync"
	"time"

	"ullage/agent/page"
	"ullage/events/entry"
)

// address is agent.json: where the process that runs can be reached, and the token that shows who may read this file.
type address struct {
	URL   string `json:"url"`
	Token string `json:"token"`
}

// maxHeader bounds the headers of a request.
const maxHeader = 16 << 10

// Run keeps the device in touch with its centre and serves the page, and the handover of record and sync, on listen,
// which has to be an address of this machine ("127.0.0.1:0" where any port will do). ready is called with the page's
// address once it is served. It returns nil when ctx has ended, and ErrMoved where the device has forked and
// another identity goes on.
func (d *Device) Run(ctx context.Context, listen string, ready func(url string)) error {
	host, _, err := net.SplitHostPort(listen)
	if err != nil || !loopback(host) {
		return fmt.Errorf("the page can be served on this machine only, not on %q; 127.0.0.1:0 takes any free port", listen)
	}
	l, err := net.Listen("tcp", listen)
	if err != nil {
		return err
	}
	var token [32]byte
	if err := d.cfg.Random(token[:]); err != nil {
		return errors.Join(err, l.Close())
	}
	at := address{URL: "http://" + l.Addr().String() + "/", Token: hex.EncodeToString(token[:])}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	srv := &http.Server{
		Handler:           d.handler(at.Token, l.Addr().(*net.TCPAddr).Port),
		ReadHeaderTimeout: 5 * time.Second,
		MaxHeaderBytes:    maxHeader,
		BaseContext:       func(net.Listener) context.Context { return ctx }, // what is under way ends with Run
	}
	var running sync.WaitGroup
	served := make(chan error, 1)
	running.Go(func() { served <- srv.Serve(l) })
	if err := writeJSON(d.home.address(), at); err != nil {
		return errors.Join(err, srv.Close())
	}
	running.Go(func() { d.loop.run(ctx) })
	if ready != nil {
		ready(at.URL)
	}
	select {
	case <-ctx.Done():
		err = nil
	case err = <-served:
	case <-d.moved:
		err = ErrMoved
	}
	if errors.Is(err, ErrMoved) { // whoever waits for the conversation hears how it ended
		bounded, stop := context.WithTimeout(ctx, 3*time.Second)
		srv.Shutdown(bounded)
		stop()
	}
	cancel()
	// Nobody is handed over any more, and then what is under way may end.
	err = errors.Join(err, os.Remove(d.home.address()))
	bounded, stop := context.WithTimeout(context.Background(), 3*time.Second)
	defer stop()
	if srv.Shutdown(bounded) != nil {
		srv.Close()
	}
	running.Wait()
	return err
}

// handler answers on loopback. Whoever may read agent.json may write; anybody on this machine may read the page. The
// name by which a request calls this server must be one of this machine, so that a page from elsewhere, whose name
// somebody has pointed here, reads nothing.
func (d *Device) handler(token string, port int) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", d.servePage)
	mux.HandleFunc("GET /page.css", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/css; charset=utf-8")
		io.WriteString(w, page.Style())
	})
	mux.HandleFunc("GET /status", func(w http.ResponseWriter, _ *http.Request) {
		s, err := d.Status()
		if err != nil {
			d.failed(w, err)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		json.NewEncoder(w).Encode(s)
	})
	mux.HandleFunc("POST /record", authorised(token, d.serveRecord))
	mux.HandleFunc("POST /sync", authorised(token, d.serveSync))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !ownHost(r.Host, port) {
			http.Error(w, "this server is asked by another name than its own", http.StatusMisdirectedRequest)
			return
		}
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cache-Control", "no-store")
		mux.ServeHTTP(w, r)
	})
}

// ownHost tells whether a request names this machine's loopback and this port.
func ownHost(host string, port int) bool {
	name, p, err := net.SplitHostPort(host)
	return err == nil && p == fmt.Sprint(port) && loopback(name)
}

// authorised lets through who knows the token.
func authorised(token string, next http.HandlerFunc) http.HandlerFunc {
	want := []byte("Bearer " + token)
	return func(w http.ResponseWriter, r *http.Request) {
		if subtle.ConstantTimeCompare([]byte(r.Header.Get("Authorization")), want) != 1 {
			http.Error(w, "the token in agent.json is needed", http.StatusUnauthorized)
			return
		}
		next(w, r)
	}
}

// failed answers with an error that is the device's own.
func (d *Device) failed(w http.ResponseWriter, err error) {
	d.cfg.Log.Error("request failed", "error", err)
	http.Error(w, err.Error(), http.StatusInternalServerError)
}

// told is one line of the answer to a handover: what a line was answered with, a bad line, how the device stands, or
// the end, which says that nothing was cut off.
type told struct {
	Answered json.RawMessage `json:"answered,omitempty"`
	Status   *Status         `json:"status,omitempty"`
	Line     int             `json:"line,omitempty"`  // a bad one
	Error    string          `json:"error,omitempty"` // of Line; at the end without one: of everything
	Notice   string          `json:"notice,omitempty"`
	End      bool            `json:"end,omitempty"`
}

// answer gives out what a line was answered with, if that is what it tells.
func (t told) answer(out func(entry.Answer) error) error {
	if t.Answered == nil {
		return nil
	}
	var a entry.Answer
	if err := json.Unmarshal(t.Answered, &a); err != nil {
		return err
	}
	return out(a)
}

func tellAnswer(a entry.Answer) (told, error) {
	b, err := json.Marshal(a)
	return told{Answered: b}, err
}

// teller writes lines as they come.
func teller(w http.ResponseWriter) func(told) error {
	w.Header().Set("Content-Type", "application/x-ndjson")
	control := http.NewResponseController(w)
	encoder := json.NewEncoder(w)
	return func(line told) error {
		if err := encoder.Encode(line); err != nil {
			return err
		}
		return control.Flush()
	}
}

// end is the last line.
func end(err error) told {
	t := told{End: true}
	var line *entry.LineError
	switch {
	case errors.As(err, &line):
		t.Line, t.Error = line.Line, LineText(line)
	case err != nil:
		t.Error = err.Error()
	}
	return t
}

// LineText is what is wrong with a line, without its number.
func LineText(e *entry.LineError) string {
	_, text, _ := strings.Cut(e.Error(), ": ") // behind "line 3"
	return text
}

func (d *Device) serveRecord(w http.ResponseWriter, r *http.Request) {
	if r.URL.Query().Has("stream") {
		d.serveStream(w, r)
		return
	}
	answers, err := d.Record(r.Context(), r.Body)
	tell := teller(w)
	for _, a := range answers {
		if t, terr := tellAnswer(a); terr != nil || tell(t) != nil {
			return // kept, and nobody there to be told
		}
	}
	tell(end(err))
}

// serveStream answers each line while the next ones are still to come.
func (d *Device) serveStream(w http.ResponseWriter, r *http.Request) {
	if err := http.NewResponseController(w).EnableFullDuplex(); err != nil {
		d.failed(w, err)
		return
	}
	tell := teller(w)
	if http.NewResponseController(w).Flush() != nil {
		return
	}
	_, err := d.Stream(r.Context(), r.Body,
		func(a entry.Answer) error {
			t, err := tellAnswer(a)
			if err != nil {
				return err
			}
			return tell(t)
		},
		func(bad *entry.LineError) error { return tell(told{Line: bad.Line, Error: LineText(bad)}) })
	tell(end(err))
}

func (d *Device) serveSync(w http.ResponseWriter, r *http.Request) {
	tell := teller(w)
	notice, err := d.loop.watch(r.Context(), d.telling(func(s Status) { tell(told{Status: &s}) }), nil)
	last := end(err)
	if notice != nil {
		last.Notice = Why(notice)
	}
	tell(last)
}

func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}
