package syncd

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"ullage/syncd/trust"
)

// TestNoListeningInTheClear: beyond this machine nothing listens without TLS.
func TestNoListeningInTheClear(t *testing.T) {
	for _, host := range []string{"0.0.0.0", "::", "192.0.2.1", "centre.example"} {
		c := &Centre{cfg: Config{Host: host}, names: []string{"centre.example"}}
		if s, err := c.listen(0, nil); !errors.Is(err, trust.ErrLoopback) || s.on != nil {
			t.Errorf("%s: %v", host, err)
		}
	}
}

// TestRequestsEnd lets end wait for a request under way, and lets none begin after it. (The tests of a whole centre
// stand in cmd/internal/desk, where both halves may be imported.)
func TestRequestsEnd(t *testing.T) {
	var q requests
	begun, goOn := make(chan struct{}), make(chan struct{})
	h := q.count(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {
		close(begun)
		<-goOn
	}))
	serve := func() (aborted any) {
		defer func() { aborted = recover() }()
		h.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest(http.MethodGet, "/", nil))
		return nil
	}
	answered := make(chan any)
	go func() { answered <- serve() }()
	<-begun
	ended := make(chan struct{})
	go func() {
		q.end()
		close(ended)
	}()
	select {
	case <-ended:
		t.Error("it ends while a request is under way")
	case <-time.After(20 * time.Millisecond):
	}
	close(goOn)
	if aborted := <-answered; aborted != nil {
		t.Errorf("the request under way: %v", aborted)
	}
	<-ended
	if aborted := serve(); aborted != http.ErrAbortHandler {
		t.Errorf("a request after the end: %v", aborted)
	}
}
