package desk_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ullage/cmd/internal/desk"
	"ullage/syncd"
)

// TestSecondPlace loses a centre's whole folder, and has no backup that is newer than the beginning, or none at all: with the
// second place and the devices all is there again, what the office had recorded too.
func TestSecondPlace(t *testing.T) {
	for _, name := range []string{"with an old backup", "without any"} {
		t.Run(name, func(t *testing.T) {
			place := t.TempDir()
			c := serve(t, t.TempDir(), func(cfg *syncd.Config) { cfg.Second = place })
			c.record(site, washer)
			old := c.backup()
			dir := c.enrolOurs("tab-1")
			d := c.reopen(dir)
			keep(t, d, arrive)
			synced(t, d)
			d.Close()
			c.record(`{"kind":"note.written","by":"O1","body":{"text":"what only the office has"}}`)
			before := c.known(t, false)
			if err := c.stop(); err != nil {
				t.Fatal(err)
			}
			lose(t, c, "")
			cfg := syncd.Config{Dir: c.dir, OpenDesk: desk.Opener(nil)}
			var err error
			if name == "without any" {
				_, err = syncd.Restore(t.Context(), cfg, nil, place, nil)
			} else {
				_, err = syncd.Restore(t.Context(), cfg, strings.NewReader(string(old)), place, nil)
			}
			if err != nil {
				t.Fatal(err)
			}
			c = serve(t, c.dir, func(cfg *syncd.Config) { cfg.Second = place })
			d = c.reopen(dir)
			synced(t, d)
			d.Close()
			for until := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
				differs := c.known(t, false).differs(before)
				if differs == "" {
					break
				}
				if time.Now().After(until) {
					t.Fatal(differs)
				}
			}
		})
	}
}

// TestSecondPlaceIsBad: it keeps no centre from its work, and check says what is wrong.
func TestSecondPlaceIsBad(t *testing.T) {
	log := &words{}
	cfg := config(t.TempDir(), log)
	cfg.Second = filepath.Join(cfg.Dir, "within")
	if c, err := syncd.Open(t.Context(), cfg); err == nil || !strings.Contains(err.Error(), "within the centre's own folder") {
		t.Errorf("%v", err)
		if err == nil {
			c.Close()
		}
	}
	place := filepath.Join(t.TempDir(), "away")
	c := serve(t, t.TempDir(), func(cfg *syncd.Config) { cfg.Second = place })
	c.record(site)
	found := func(want string) {
		t.Helper()
		text := ""
		for until := time.Now().Add(30 * time.Second); time.Now().Before(until); time.Sleep(50 * time.Millisecond) {
			if text = c.get("/api/check"); strings.Contains(text, want) {
				return
			}
		}
		t.Errorf("check says %s, and not %q", text, want)
	}
	found("is not there")
	if err := os.MkdirAll(filepath.Join(place, "keys"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(place, "keys", "centre.json"), []byte("{}"), 0o600); err != nil {
		t.Fatal(err)
	}
	found("another centre's keys")
	if err := os.Remove(filepath.Join(place, "keys", "centre.json")); err != nil {
		t.Fatal(err)
	}
	found("as they stood at")
	if !exists(t, filepath.Join(place, "keys", "centre.json")) || !exists(t, filepath.Join(place, "office", "journal")) {
		t.Error("it has not what it should")
	}
}
