package syncd

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"ullage/events/wire"
	"ullage/syncd/office"
)

// softTime is how long the end of a centre waits for requests to end by themselves.
const softTime = 5 * time.Second

// Serve answers until ctx ends, or until a part of the centre fails. ready is called once everything listens; link
// opens the office's pages once. A centre is served once.
func (c *Centre) Serve(ctx context.Context, ready func(a Addresses, link string)) error {
	if err := c.listenAll(); err != nil {
		return err
	}
	pages := office.New(office.Config{
		Token: c.trust.Token(), Book: c.book, Access: c.access, Store: c.store, Source: c.source, Public: c.log, Recorder: c.recorder,
		Evidence: c.desk.Evidence(), Alarms: c.alarms, Warning: c.warning(), Missing: c.missing, Backup: c.Backup, Check: c.Check, Dossiers: c.dossiers(), Grants: c.grants(), Log: c.cfg.Log,
		Erasures: c.erasures, Devices: c.fieldDevices, Fleet: c.fleet(),
		NewCode: func(name string) (wire.Code, error) { return c.trust.NewCode(name, c.enrol.address()) },
	})
	// What works here outlasts ctx until the requests have ended.
	work, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	answering, cut := context.WithCancel(work)
	defer cut()
	c.enrol.Server = c.newServer(answering, c.outside())
	c.office.Server = c.newServer(answering, pages.Handler())

	var parts sync.WaitGroup
	failed := make(chan error, 8) // one from each part, at most
	run := func(what string, fn func(context.Context) error) {
		parts.Go(func() {
			if err := fn(work); err != nil {
				failed <- fmt.Errorf("%s: %w", what, err)
			}
		})
	}
	run("gate", c.gate.Run)
	run("public log", c.log.Run)
	run("read model", c.follow)
	run("healing", c.healer.Run)
	if c.cluster != nil {
		run("cluster", c.cluster.Run)
		run("other seats", c.learn)
	}
	if c.second.mirror != nil {
		run("second place", c.keepSecond)
	}
	run("enrolment", c.enrol.run)
	err := c.hearing(ctx, failed)
	if err != nil {
		err = errors.Join(err, c.office.on.Close())
	} else {
		c.erasures.Again(ctx) // before the office shows anything
		run("office", c.office.run)
		run("erasures", c.erasures.Run)
		run("the office's records", c.recorder.Run)
		err = c.announce(pages, ready)
	}
	if err == nil {
		select {
		case <-ctx.Done():
		case err = <-failed:
		}
	}
	err = errors.Join(err, remove(c.path("centre.json")), c.hangUp(cut))
	stop()
	parts.Wait()
	return err
}

// listenAll takes the ports, and writes them down where they are new. Devices are enrolled over TLS always. The office is
// spoken to in the clear on this machine, whose browsers do not know our certificates, and over TLS by all others.
func (c *Centre) listenAll() (err error) {
	defer func() {
		if err != nil {
			for _, s := range []*server{&c.enrol, &c.office} {
				if s.on != nil {
					err = errors.Join(err, s.on.Close())
				}
			}
		}
	}()
	if c.enrol, err = c.listen(c.ports.Enrol, c.trust.TLS()); err != nil {
		return err
	}
	var secure *tls.Config
	if c.open() {
		secure = c.trust.TLS()
	}
	if c.office, err = c.listen(c.ports.Office, secure); err != nil {
		return err
	}
	if !c.newPorts {
		return nil
	}
	return writeJSON(c.path("ports.json"), c.ports)
}

// run answers until hangUp.
func (s *server) run(context.Context) error {
	if err := s.Serve(s.on); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// newServer answers requests, all of which end with ctx.
func (c *Centre) newServer(ctx context.Context, h http.Handler) *http.Server {
	return &http.Server{
		Handler: c.requests.count(office.Guard(h, c.names...)), BaseContext: func(net.Listener) context.Context { return ctx },
		ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 2 * time.Minute, WriteTimeout: 3 * time.Minute, IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 16 << 10, ErrorLog: slog.NewLogLogger(c.cfg.Log.Handler(), slog.LevelWarn),
	}
}

// requests counts those under way, so that what they work with is not taken away under them. (A server that is closed
// does not wait for its handlers.)
type requests struct {
	mu    sync.Mutex
	ended bool
	under sync.WaitGroup
}

func (q *requests) count(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		q.mu.Lock()
		if q.ended {
			q.mu.Unlock()
			panic(http.ErrAbortHandler)
		}
		q.under.Add(1)
		q.mu.Unlock()
		defer q.under.Done()
		next.ServeHTTP(w, r)
	})
}

// end lets none begin any more, and returns when the last has ended.
func (q *requests) end() {
	q.mu.Lock()
	q.ended = true
	q.mu.Unlock()
	q.under.Wait()
}

// hearing returns when the gate hears devices, so that nobody who was told that the centre is ready asks in vain.
func (c *Centre) hearing(ctx context.Context, failed <-chan error) error {
	for c.devices.NumSubscriptions() == 0 {
		select {
		case <-time.After(time.Millisecond):
		case err := <-failed:
			return err
		case <-ctx.Done():
			return nil
		}
	}
	return c.devices.FlushTimeout(10 * time.Second)
}

// announce tells where the centre is. What the office kept and could not send before is brought in first; where that
// is not possible, the office is told when it records, and devices need not wait for it.
func (c *Centre) announce(pages *office.Server, ready func(Addresses, string)) error {
	c.recorder.Try()
	link, err := pages.Ticket()
	if err != nil {
		return err
	}
	a := Addresses{NATS: c.broker.ClientURL(), Enrol: c.enrol.address(), Office: c.office.address()}
	if err := writeJSON(c.path("centre.json"), a); err != nil {
		return err
	}
	ready(a, a.Office+link)
	return nil
}

// hangUp ends the servers, and returns when no request is under way any more. cut tells those that last.
func (c *Centre) hangUp(cut func()) error {
	ctx, done := context.WithTimeout(context.Background(), softTime)
	defer done()
	err := errors.Join(c.enrol.Shutdown(ctx), c.office.Shutdown(ctx))
	if errors.Is(err, context.DeadlineExceeded) {
		c.cfg.Log.Warn("requests that last are cut off")
		cut()
		err = errors.Join(c.enrol.Close(), c.office.Close())
	}
	c.requests.end()
	return err
}

// follow keeps the read model up; a broken read of the stream is begun again.
func (c *Centre) follow(ctx context.Context) error {
	const least, most = time.Second, time.Minute
	for wait := least; ; wait = min(2*wait, most) {
		began := time.Now()
		err := c.store.Follow(ctx, c.source)
		if ctx.Err() != nil {
			return nil
		}
		if time.Since(began) > most {
			wait = least
		}
		c.cfg.Log.Error("the read model does not keep up; it is tried again", "error", err, "in", wait)
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return nil
		}
	}
}
