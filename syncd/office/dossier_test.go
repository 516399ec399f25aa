package office

import (
	"net/http"
	"net/http/httptest"
	"testing"
)

// Beyond a number of dossiers at once whoever asks is told to come again.
func TestDossiersAreBounded(t *testing.T) {
	s := &Server{dossiers: make(chan struct{}, mostDossiers)}
	for range mostDossiers {
		s.dossiers <- struct{}{}
	}
	r := httptest.NewRequest(http.MethodGet, "/api/dossier?visit=01a21335-1e79-7f73-9dc1-323cb15d3c44", nil)
	_, err := s.dossier(r)
	if a, ok := err.(asked); !ok || a.status != http.StatusServiceUnavailable {
		t.Errorf("one more: %v", err)
	}
}
