package alarm

import (
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"ullage/events"
)

// A book that is read can be asked and written, whatever stands in it.
func FuzzRead(f *testing.F) {
	f.Add([]byte(`{"version":1,"alarms":[{"name":"fork-1","kind":"fork","about":"tab-1","what":"w","do":"d","since":"2026-03-02T09:05:00Z","times":1}]}`))
	f.Add([]byte(`{"version":2}`))
	path := filepath.Join(f.TempDir(), "alarms.json")
	f.Fuzz(func(t *testing.T, b []byte) {
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		book, err := Read(path, func() events.Millis { return 1 }, slog.New(slog.DiscardHandler))
		if err != nil {
			if book != nil {
				t.Errorf("a book with %v", err)
			}
			return
		}
		book.Pending()
		for _, a := range book.All() {
			a.Open()
		}
	})
}
