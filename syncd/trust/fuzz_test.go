package trust

import (
	"crypto/rand"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ullage/events"
)

// The files that say who may write are read whole or not at all, and nothing that is read is beyond its limits.
func FuzzFiles(f *testing.F) {
	dir := f.TempDir()
	tr, err := Open(Config{Dir: dir})
	if err != nil {
		f.Fatal(err)
	}
	if _, _, err := tr.NewGrant(GrantRequest{"billing", "feed.>", time.Hour}, admitAll); err != nil {
		f.Fatal(err)
	}
	if _, err := tr.NewCode("tab-1", "https://127.0.0.1:1"); err != nil {
		f.Fatal(err)
	}
	tr.Close()
	for _, path := range []string{"centre.json", "grants/billing.json", "codes/tab-1.json"} {
		b, err := os.ReadFile(filepath.Join(dir, "keys", path))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add([]byte(`{"version":1,"id":"tab-1","seal_key":"","conn_key":"","software":"","jwt":"","code_sha256":"","state":"enrolled"}`))
	codes, token := f.TempDir(), filepath.Join(f.TempDir(), "token")
	f.Fuzz(func(t *testing.T, b []byte) {
		if k, err := readKeys(b); (err == nil) != (k != nil) {
			t.Errorf("keys: %v, %v", k, err)
		}
		if d, err := readDevice(b); err == nil && (events.CheckIdentifier(string(d.ID)) != nil || checkKeys(d.Key, d.Conn) != nil) {
			t.Errorf("device: %+v", d)
		}
		g, err := readGrant(b)
		if err != nil && g != (Grant{}) {
			t.Errorf("grant: half filled: %+v with %v", g, err)
		}
		if err == nil {
			out, err := json.Marshal(grantFile{fileVersion, g})
			if again, second := readGrant(out); err != nil || second != nil || again != g {
				t.Errorf("grant: %+v, then %+v, %v, %v", g, again, err, second)
			}
		}
		if err := os.WriteFile(filepath.Join(codes, "tab-1.json"), b, 0o600); err != nil {
			t.Fatal(err)
		}
		if all, err := loadCodes(codes); err == nil && len(all) != 1 {
			t.Errorf("codes: %v", all)
		}
		if err := os.WriteFile(token, b, 0o600); err != nil {
			t.Fatal(err)
		}
		if s, err := openToken(token, rand.Reader); err == nil && len(s) != 2*tokenBytes {
			t.Errorf("token: %q", s)
		}
	})
}
