package syncd

import (
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"ullage/events/wire"
)

// No more than so many requests of strangers are read at once.
func TestHandingIsBounded(t *testing.T) {
	c := &Centre{cfg: Config{Log: slog.New(slog.DiscardHandler)}, handing: make(chan struct{}, mostHanding)}
	ask := func() int {
		r := httptest.NewRequest(http.MethodPost, wire.AsidePath, strings.NewReader("nothing"))
		r.Header.Set("Content-Type", wire.AsideType)
		w := httptest.NewRecorder()
		c.takeAside(w, r)
		return w.Code
	}
	if got := ask(); got != http.StatusBadRequest {
		t.Errorf("one request: %d", got)
	}
	for range mostHanding {
		c.handing <- struct{}{}
	}
	if got := ask(); got != http.StatusServiceUnavailable {
		t.Errorf("beyond the bound: %d", got)
	}
}
