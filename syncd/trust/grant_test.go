package trust

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nkeys"

	"ullage/events"
	"ullage/events/wire"
)

func admitAll(Grant) error { return nil }

func openFor(t *testing.T, dir string, now *time.Time) *Trust {
	t.Helper()
	tr, err := Open(Config{Dir: dir, Now: func() time.Time { return *now }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { tr.Close() })
	return tr
}

func TestGrant(t *testing.T) {
	dir, now := t.TempDir(), time.Unix(1_900_000_000, 0)
	tr := openFor(t, dir, &now)
	var asked Grant
	g, file, err := tr.NewGrant(GrantRequest{"billing", "feed.north-yard.>", 90 * 24 * time.Hour}, func(g Grant) error { asked = g; return nil })
	if err != nil {
		t.Fatal(err)
	}
	token, err := nkeys.ParseDecoratedJWT(file)
	if err != nil {
		t.Fatal(err)
	}
	key, err := nkeys.ParseDecoratedUserNKey(file)
	if err != nil {
		t.Fatal(err)
	}
	public, _ := key.PublicKey()
	seed, _ := key.Seed()
	u, err := jwt.DecodeUserClaims(token)
	if err != nil {
		t.Fatal(err)
	}
	if asked != g || u.Subject != public || u.Subject != g.User || u.Issuer != g.Account || u.Expires != now.AddDate(0, 0, 90).Unix() || u.BearerToken {
		t.Errorf("asked %+v, got %+v, credential %+v", asked, g, u)
	}

	// What stands on the disk lets nobody in.
	path := filepath.Join(dir, "keys", "grants", "billing.json")
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info, err)
	}
	err = filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		if strings.Contains(string(b), string(seed)) {
			t.Errorf("%s has the integrator's seed", path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}

	var taken *NameError
	if _, _, err := tr.NewGrant(GrantRequest{"Billing", "feed.>", time.Hour}, admitAll); !errors.As(err, &taken) || taken.Free != "Billing-2" {
		t.Errorf("the same name: %v", err)
	}
	for name, c := range map[string]struct {
		q    GrantRequest
		want error
	}{
		"no name":          {GrantRequest{"", "feed.>", time.Hour}, events.ErrIdentifier},
		"a name of two":    {GrantRequest{"a.b", "feed.>", time.Hour}, events.ErrIdentifier},
		"any name":         {GrantRequest{"*", "feed.>", time.Hour}, events.ErrIdentifier},
		"not of the feed":  {GrantRequest{"a", "push.>", time.Hour}, wire.ErrFilter},
		"everything":       {GrantRequest{"a", ">", time.Hour}, wire.ErrFilter},
		"no life":          {GrantRequest{"a", "feed.>", 0}, ErrGrantLife},
		"a negative life":  {GrantRequest{"a", "feed.>", -time.Hour}, ErrGrantLife},
		"too long a life":  {GrantRequest{"a", "feed.>", MaxGrantLife + 1}, ErrGrantLife},
		"the second again": {GrantRequest{"billing", "feed.>", time.Hour}, ErrName},
	} {
		if _, credentials, err := tr.NewGrant(c.q, admitAll); !errors.Is(err, c.want) || credentials != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	no := errors.New("no")
	if _, credentials, err := tr.NewGrant(GrantRequest{"stock", "feed.>", time.Hour}, func(Grant) error { return no }); !errors.Is(err, no) || credentials != nil {
		t.Errorf("a consumer that cannot be made: %v", err)
	}
	if all := tr.Grants(); len(all) != 1 || all[0] != g || !g.InForce(now) || g.InForce(now.AddDate(0, 0, 90)) {
		t.Errorf("grants: %+v", all)
	}
	now = now.Add(time.Hour)
	revoked, claims, err := tr.RevokeGrant("billing")
	if err != nil || revoked.Revoked != events.MillisOf(now) || !claims.IsClaimRevoked(u) || revoked.InForce(now) {
		t.Errorf("revoked: %+v, %v", revoked, err)
	}
	now = now.Add(time.Hour)
	if again, _, err := tr.RevokeGrant("billing"); err != nil || again != revoked {
		t.Errorf("revoked again: %+v, %v", again, err)
	}
	tr.Close()
	if all := openFor(t, dir, &now).Grants(); len(all) != 1 || all[0] != revoked {
		t.Errorf("after a restart: %+v", all)
	}
}

// A revocation that cannot be written down holds all the same, and is told.
func TestRevokeGrantUnsaved(t *testing.T) {
	now := time.Unix(1_900_000_000, 0)
	tr := openFor(t, t.TempDir(), &now)
	if _, _, err := tr.NewGrant(GrantRequest{"billing", "feed.>", time.Hour}, admitAll); err != nil {
		t.Fatal(err)
	}
	full := errors.New("no space left on device")
	write := tr.write
	tr.write = func(string, []byte) error { return full }
	if _, claims, err := tr.RevokeGrant("billing"); !errors.Is(err, full) || claims == nil || len(claims.Revocations) != 1 {
		t.Errorf("claims %v, %v", claims, err)
	}
	if _, credentials, err := tr.NewGrant(GrantRequest{"stock", "feed.>", time.Hour}, admitAll); !errors.Is(err, full) || credentials != nil {
		t.Errorf("a grant that cannot be written down: %v", err)
	}
	tr.write = write
	if g, _, err := tr.RevokeGrant("billing"); err != nil || g.Revoked == 0 {
		t.Errorf("%+v, %v", g, err)
	}
}

func TestTooManyGrants(t *testing.T) {
	now := time.Unix(1_900_000_000, 0)
	tr := openFor(t, t.TempDir(), &now)
	tr.write = func(string, []byte) error { return nil }
	for i := range MaxGrants {
		if _, _, err := tr.NewGrant(GrantRequest{fmt.Sprintf("g%d", i), "feed.>", time.Hour}, admitAll); err != nil {
			t.Fatal(err)
		}
	}
	if _, _, err := tr.NewGrant(GrantRequest{"more", "feed.>", time.Hour}, admitAll); !errors.Is(err, ErrGrantRoom) {
		t.Errorf("one too many: %v", err)
	}
	now = now.Add(2 * time.Hour)
	if _, _, err := tr.NewGrant(GrantRequest{"more", "feed.>", time.Hour}, admitAll); err != nil {
		t.Errorf("after the others have expired: %v", err)
	}
}

func TestDamagedGrant(t *testing.T) {
	dir, now := t.TempDir(), time.Unix(1_900_000_000, 0)
	tr := openFor(t, dir, &now)
	if _, _, err := tr.NewGrant(GrantRequest{"billing", "feed.>", time.Hour}, admitAll); err != nil {
		t.Fatal(err)
	}
	tr.Close()
	path := filepath.Join(dir, "keys", "grants", "billing.json")
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for name, bad := range map[string]string{
		"another version": strings.Replace(string(good), `"version": 1`, `"version": 2`, 1),
		"another name":    strings.Replace(string(good), `"billing"`, `"stock"`, 1),
		"a wider feed":    strings.Replace(string(good), `"feed.\u003e"`, `"\u003e"`, 1),
		"no keys":         strings.Replace(string(good), `"account": "A`, `"account": "B`, 1),
		"no end":          strings.Replace(string(good), `"expires": `, `"expires": 99`, 1),
		"cut short":       string(good[:len(good)/2]),
		"more":            string(good) + "{}",
	} {
		if bad == string(good) {
			t.Fatalf("%s: it is the good one", name)
		}
		if err := os.WriteFile(path, []byte(bad), 0o600); err != nil {
			t.Fatal(err)
		}
		if tr, err := Open(Config{Dir: dir}); err == nil || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v", name, err)
			if err == nil {
				tr.Close()
			}
		}
	}
}
