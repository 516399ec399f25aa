package agent

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"ullage/events/entry"
)

// Way is how records are kept and synced: by the device itself, or by the process that runs it. A *Device and a
// *Running are Ways.
type Way interface {
	Record(ctx context.Context, lines io.Reader) ([]entry.Answer, error)
	Stream(ctx context.Context, lines io.Reader, out func(entry.Answer) error, bad func(*entry.LineError) error) (int, error)
	Sync(ctx context.Context, tell func(Status)) (notice, err error)
	Close() error
}

// Reach finds the way to the device in a folder: through the process that runs it, where one does, else by opening it.
// Another process that has it for a moment is waited for, as long as cfg says; then the error is an *InUse.
func Reach(ctx context.Context, dir string, cfg Config) (Way, error) {
	cfg = cfg.withDefaults()
	if _, err := current(dir).read(); err != nil {
		return nil, err
	}
	until := time.Now().Add(cfg.Holder)
	for {
		if r := findRunning(ctx, current(dir)); r != nil {
			return r, nil
		}
		short := cfg
		short.Holder = 100 * time.Millisecond
		d, err := Open(ctx, dir, short)
		var used *InUse
		switch {
		case err == nil:
			return d, nil
		case !errors.As(err, &used) || time.Now().After(until):
			return nil, err
		}
	}
}

// Running is a process that runs the device.
type Running struct {
	at     address
	client *http.Client
}

// findRunning finds the process that runs the device of a folder; nil where none answers. What a process has left
// behind that was killed is told by nobody listening there, or by another program that does.
func findRunning(ctx context.Context, h home) *Running {
	var at address
	if err := readJSON(h.address(), &at); err != nil {
		return nil
	}
	u, err := url.Parse(at.URL)
	if err != nil || u.Scheme != "http" || !loopback(u.Hostname()) || at.Token == "" {
		return nil
	}
	r := &Running{at, &http.Client{
		Transport:     &http.Transport{DisableKeepAlives: true},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	q, err := http.NewRequestWithContext(ctx, http.MethodGet, at.URL+"status", nil)
	if err != nil {
		return nil
	}
	resp, err := r.client.Do(q)
	if err != nil {
		return nil
	}
	defer resp.Body.Close()
	var s Status
	id, err := h.read()
	if err != nil || json.NewDecoder(io.LimitReader(resp.Body, 1<<20)).Decode(&s) != nil || s.Device != id.Device {
		return nil
	}
	return r
}

// Close does nothing: the process goes on.
func (r *Running) Close() error { return nil }

// Record is Device.Record, over there.
func (r *Running) Record(ctx context.Context, lines io.Reader) ([]entry.Answer, error) {
	var answers []entry.Answer
	err := r.post(ctx, "record", lines, func(t told) error {
		return t.answer(func(a entry.Answer) error {
			answers = append(answers, a)
			return nil
		})
	})
	if err != nil {
		return nil, err
	}
	return answers, nil
}

// Stream is Device.Stream, over there.
func (r *Running) Stream(ctx context.Context, lines io.Reader, out func(entry.Answer) error, bad func(*entry.LineError) error) (int, error) {
	count := 0
	err := r.post(ctx, "record?stream", lines, func(t told) error {
		if t.Line > 0 {
			count++
			return bad(&entry.LineError{Line: t.Line, Want: t.Error})
		}
		return t.answer(out)
	})
	return count, err
}

// Sync is Device.Sync, over there.
func (r *Running) Sync(ctx context.Context, tell func(Status)) (notice, err error) {
	err = r.post(ctx, "sync", strings.NewReader(""), func(t told) error {
		if t.Status != nil && tell != nil {
			tell(*t.Status)
		}
		if t.Notice != "" {
			notice = errors.New(t.Notice)
		}
		return nil
	})
	return notice, err
}

// post hands a request over and gives each line of the answer to line.
func (r *Running) post(ctx context.Context, what string, body io.Reader, line func(told) error) error {
	q, err := http.NewRequestWithContext(ctx, http.MethodPost, r.at.URL+what, io.NopCloser(body))
	if err != nil {
		return err
	}
	q.Header.Set("Authorization", "Bearer "+r.at.Token)
	resp, err := r.client.Do(q)
	if err != nil {
		return fmt.Errorf("the agent that runs here: %w", err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		text, _ := io.ReadAll(io.LimitReader(resp.Body, 1<<10))
		return fmt.Errorf("the agent that runs here: %s", strings.TrimSpace(string(text)))
	}
	in := bufio.NewReader(resp.Body)
	for {
		text, err := in.ReadBytes('\n')
		if err != nil {
			return fmt.Errorf("the agent that runs here ended before it had answered (what it had kept is kept): %w", err)
		}
		var t told
		if err := json.Unmarshal(text, &t); err != nil {
			return fmt.Errorf("the agent that runs here: %w", err)
		}
		if !t.End {
			if err := line(t); err != nil {
				return err
			}
			continue
		}
		if err := line(told{Notice: t.Notice}); err != nil {
			return err
		}
		switch {
		case t.Line > 0:
			return &entry.LineError{Line: t.Line, Want: t.Error}
		case t.Error != "":
			return errors.New(t.Error)
		}
		return nil
	}
}
