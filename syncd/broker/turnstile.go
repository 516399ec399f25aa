package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"runtime"
	"sync/atomic"
	"time"
)

// A handshake costs a core some milliseconds, both sides together. When a whole field service comes back at once and all
// are begun together, each waits for all others, every device loses its patience at about the same time, and what was
// done for it is done again, for ever. So they go through a turnstile: a few at once, in the order in which they came,
// and each is done soon after it was begun. Who has come through finds the processor free for what it came for.
//
// Behind it stands another narrow place: the server looks at the credentials of who connects under the one lock that all
// its parts need now and then, and where hundreds wait for that, so does each message of those who are in. So a turn
// begins with waiting for that lock: no more come through than the server lets in.
const (
	mostWaiting = 16 << 10         // connections that may wait for their turn; more are cut at once, and come again
	longestWait = 10 * time.Second // for a turn; a device goes on for a little longer than that
	longestTurn = time.Second      // then the next one begins, whatever keeps this one
)

// errCrowded cuts a connection before anything was done for it.
var errCrowded = errors.New("too many connections are begun at once")

// turnstile lets so many handshakes be computed at once.
type turnstile struct {
	turns    chan struct{} // who waits to send into it is served first come, first served
	most     int64         // that wait
	patience time.Duration
	inLine   func() // returns once the server has let in those who came before

	waiting atomic.Int64
}

// newTurnstile has a turn for each processor.
func newTurnstile(inLine func()) *turnstile {
	return &turnstile{turns: make(chan struct{}, runtime.GOMAXPROCS(0)), most: mostWaiting, patience: longestWait, inLine: inLine}
}

// guard makes a server's handshakes take turns. A turn begins when the client has said its hello, so that one which is
// slow to do so holds nobody up, and ends when the server has said all that it computes.
func (t *turnstile) guard(base *tls.Config) *tls.Config {
	guarded := base.Clone()
	guarded.GetConfigForClient = func(hello *tls.ClientHelloInfo) (*tls.Config, error) {
		end, err := t.enter(hello.Context())
		if err != nil {
			return nil, err
		}
		one := base.Clone()
		one.VerifyConnection = func(tls.ConnectionState) error { // the server's part is done; what comes is the client's
			end()
			return nil
		}
		return one, nil
	}
	return guarded
}

// enter waits for a turn. It is over with end, with ctx, or after longestTurn. The error is errCrowded.
func (t *turnstile) enter(ctx context.Context) (end func(), err error) {
	defer t.waiting.Add(-1)
	if t.waiting.Add(1) > t.most {
		return nil, errCrowded
	}
	patience := time.NewTimer(t.patience)
	defer patience.Stop()
	select {
	case t.turns <- struct{}{}:
	case <-patience.C:
		return nil, errCrowded
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	t.inLine()
	turn, end := context.WithTimeout(ctx, longestTurn)
	context.AfterFunc(turn, func() { <-t.turns })
	return end, nil
}
