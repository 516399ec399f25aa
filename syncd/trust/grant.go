package trust

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nkeys"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/trust/disk"
)

// Errors about grants.
var (
	ErrGrant     = errors.New("no such grant")
	ErrGrantLife = errors.New("not a life that a credential can have")
	ErrGrantRoom = errors.New("there are as many grants as there can be")
)

// What an integrator may have and do at once. An answer to a pull is bounded by the consumer that was made for them.
const (
	MaxGrants    = 256 // in force at the same time
	GrantConns   = 8   // connections
	GrantSubs    = 64  // subscriptions, over all connections
	GrantPayload = 4 << 10
	MaxGrantLife = 3653 * 24 * time.Hour
)

// Grant lets an integrator read a part of the feed.
//
// Each has an account of its own, which imports from FEED what three requests need and nothing else: to look at the one consumer
// that bears the grant's name, to pull from it, and to acknowledge what was pulled. The server publishes wherever a
// request asks for its answer, without looking; here that ends in the integrator's own account, where nobody else is.
// Making a consumer is not among them: where it delivers stands in the request's body, which the server does not check
// against anybody's rights, so that the centre makes it.
type Grant struct {
	Name    events.DeviceID `json:"name"` // of the same form as a device's, and its consumer's name in FEED
	Filter  string          `json:"feed"`
	Made    events.Millis   `json:"made"`
	Expires events.Millis   `json:"expires"`
	Account string          `json:"account"` // public keys; nobody has the private one of the account any more
	User    string          `json:"user"`
	Revoked events.Millis   `json:"revoked"` // 0: it is not
}

// InForce tells whether a grant lets anybody in.
func (g Grant) InForce(now time.Time) bool {
	return g.Revoked == 0 && events.MillisOf(now) < g.Expires
}

// grantFile is Grant on disk.
type grantFile struct {
	Version int `json:"version"`
	Grant
}

// GrantRequest is what is asked for.
type GrantRequest struct {
	Name   string
	Filter string
	Life   time.Duration // at least a second, at most MaxGrantLife
}

// NewGrant makes a grant and its credentials, in the form of a credentials file that every NATS client reads. They are
// given out here and not kept: whoever loses them asks for another grant. prepare makes the consumer; where it fails,
// there is no grant.
//
// Its error wraps events.ErrIdentifier for what is no name, ErrName (as a *NameError) for one that was given before,
// wire.ErrFilter, ErrGrantLife, or ErrGrantRoom.
func (t *Trust) NewGrant(q GrantRequest, prepare func(Grant) error) (Grant, []byte, error) {
	name, err := events.ParseDeviceID(q.Name)
	if err != nil {
		return Grant{}, nil, err
	}
	if err := wire.CheckFeedFilter(q.Filter); err != nil {
		return Grant{}, nil, err
	}
	if q.Life < time.Second || q.Life > MaxGrantLife {
		return Grant{}, nil, fmt.Errorf("%w: %v; from a second to %v is one", ErrGrantLife, q.Life, MaxGrantLife)
	}
	t.granting.Lock()
	defer t.granting.Unlock()
	now := t.cfg.Now()
	if err := t.roomFor(name, now); err != nil {
		return Grant{}, nil, err
	}
	g := Grant{Name: name, Filter: q.Filter, Made: events.MillisOf(now), Expires: events.MillisOf(now.Add(q.Life))}
	credentials, err := t.grantCredentials(&g)
	if err != nil {
		return Grant{}, nil, fmt.Errorf("make the credentials of %s: %w", name, err)
	}
	if _, err := t.store(t.grantClaims(g)); err != nil { // a room that nobody has a key for, until this returns
		return Grant{}, nil, err
	}
	if err := prepare(g); err != nil {
		return Grant{}, nil, err
	}
	if err := t.saveGrant(g); err != nil {
		return Grant{}, nil, err
	}
	t.cfg.Log.Info("a part of the feed is granted", "name", name, "feed", g.Filter)
	return g, credentials, nil
}

// roomFor needs granting held.
func (t *Trust) roomFor(name events.DeviceID, now time.Time) error {
	inForce := 0
	taken := func(name events.DeviceID) bool {
		for other := range t.grants {
			if strings.EqualFold(string(other), string(name)) {
				return true
			}
		}
		return false
	}
	for _, g := range t.grants {
		if g.InForce(now) {
			inForce++
		}
	}
	if inForce >= MaxGrants {
		return fmt.Errorf("%w: %d; revoke one first", ErrGrantRoom, MaxGrants)
	}
	if taken(name) {
		return &NameError{name, numbered(name, taken), "was given before"}
	}
	return nil
}

// grantCredentials makes an account and its one user. The account's key signs the user's credential and is forgotten,
// so that there can be no second one.
func (t *Trust) grantCredentials(g *Grant) ([]byte, error) {
	account, err := pairOf(nkeys.CreatePairWithRand(nkeys.PrefixByteAccount, t.cfg.Random))
	if err != nil {
		return nil, err
	}
	defer account.Wipe()
	user, err := pairOf(nkeys.CreatePairWithRand(nkeys.PrefixByteUser, t.cfg.Random))
	if err != nil {
		return nil, err
	}
	defer user.Wipe()
	g.Account, g.User = account.public, user.public
	c := jwt.NewUserClaims(user.public)
	c.Name = string(g.Name)
	c.Expires = int64((g.Expires + 999) / 1000)
	c.Pub.Allow.Add(grantSubjects(g.Name)...)
	c.Sub.Allow.Add("_INBOX.>")
	c.Limits.Payload = GrantPayload
	c.AllowedConnectionTypes.Add(jwt.ConnectionTypeStandard)
	token, err := c.Encode(account)
	if err != nil {
		return nil, err
	}
	seed, err := user.Seed()
	if err != nil {
		return nil, err
	}
	return jwt.FormatUserConfig(token, seed)
}

// grantSubjects are what an integrator may say, and what its account imports.
func grantSubjects(name events.DeviceID) []string {
	end := "." + wire.Feed.Name + "." + string(name)
	return []string{"$JS.API.CONSUMER.INFO" + end, "$JS.API.CONSUMER.MSG.NEXT" + end, "$JS.ACK" + end + ".>"}
}

// nowhere is a subject of FEED on which nobody answers. The server opens the whole of its own API, $JS.API.>, to every
// account that does not import $JS.API.INFO from another one; so an integrator's account does, from here.
const nowhere = "nowhere"

// feedClaims is FEED, with what it lets others import.
func (t *Trust) feedClaims() *jwt.AccountClaims {
	c := account("FEED", t.keys.feed)
	c.Limits.JetStreamLimits = jwt.JetStreamLimits{DiskStorage: jwt.NoLimit, Streams: 1, Consumer: jwt.NoLimit}
	for i, kind := range []jwt.ResponseType{jwt.ResponseTypeSingleton, jwt.ResponseTypeStream, jwt.ResponseTypeSingleton} {
		subject := jwt.Subject(grantSubjects("*")[i])
		c.Exports.Add(&jwt.Export{Name: string(subject), Subject: subject, Type: jwt.Service, ResponseType: kind})
	}
	c.Exports.Add(&jwt.Export{Name: nowhere, Subject: nowhere, Type: jwt.Service})
	c.Limits.Exports, c.Limits.WildcardExports = int64(len(c.Exports)), true
	return c
}

func (t *Trust) grantClaims(g Grant) *jwt.AccountClaims {
	c := account("FEED of "+string(g.Name), pair{public: g.Account})
	c.Limits.Conn, c.Limits.Subs, c.Limits.Payload, c.Limits.Data = GrantConns, GrantSubs, GrantPayload, jwt.NoLimit
	for _, s := range grantSubjects(g.Name) {
		c.Imports.Add(&jwt.Import{Name: s, Subject: jwt.Subject(s), Account: t.keys.feed.public, Type: jwt.Service})
	}
	c.Imports.Add(&jwt.Import{Name: nowhere, Subject: nowhere, LocalSubject: "$JS.API.INFO", Account: t.keys.feed.public, Type: jwt.Service})
	c.Limits.Imports = int64(len(c.Imports))
	if g.Revoked != 0 {
		c.RevokeAt(g.User, ever)
	}
	return c
}

// Grants are all that were ever made, by name.
func (t *Trust) Grants() []Grant {
	t.granting.Lock()
	defer t.granting.Unlock()
	all := slices.Collect(maps.Values(t.grants))
	slices.SortFunc(all, func(a, b Grant) int { return strings.Compare(string(a.Name), string(b.Name)) })
	return all
}

// RevokeGrant ends a grant for good and returns the claims by which the broker cuts its connections
// (broker.EndGrant). Revoking twice is revoking once. Its error wraps ErrGrant where there is none of that name. Where
// the revocation cannot be written down, the claims come with the error: it holds, but only until this centre's next
// start, and must be repeated.
func (t *Trust) RevokeGrant(name string) (Grant, *jwt.AccountClaims, error) {
	t.granting.Lock()
	defer t.granting.Unlock()
	g, ok := t.grants[events.DeviceID(name)]
	if !ok {
		return Grant{}, nil, fmt.Errorf("%w: %.100q", ErrGrant, name)
	}
	if g.Revoked == 0 {
		g.Revoked = events.MillisOf(t.cfg.Now())
		t.cfg.Log.Info("a grant is revoked", "name", g.Name)
	}
	unsaved := t.saveGrant(g) // even if it was revoked: the last write may have failed
	if unsaved != nil {
		unsaved = fmt.Errorf("write down that %s is revoked: %w", g.Name, unsaved)
	}
	t.grants[g.Name] = g
	claims, err := t.store(t.grantClaims(g))
	return g, claims, errors.Join(unsaved, err)
}

// saveGrant needs granting held.
func (t *Trust) saveGrant(g Grant) error {
	b, err := json.MarshalIndent(grantFile{fileVersion, g}, "", "  ")
	if err != nil {
		return err
	}
	if err := t.write(filepath.Join(t.grantsDir(), string(g.Name)+fileEnd), append(b, '\n')); err != nil {
		return err
	}
	t.grants[g.Name] = g
	return nil
}

func loadGrants(dir string) (map[events.DeviceID]Grant, error) {
	grants := map[events.DeviceID]Grant{}
	err := disk.Each(dir, fileEnd, func(name string, b []byte) error {
		g, err := readGrant(b)
		if err == nil && string(g.Name) != name {
			err = fmt.Errorf("it is that of %q", g.Name)
		}
		grants[g.Name] = g
		return err
	})
	return grants, err
}

func readGrant(b []byte) (Grant, error) {
	var f grantFile
	if err := disk.Decode(b, &f, &f.Version, fileVersion); err != nil {
		return Grant{}, err
	}
	if err := events.CheckIdentifier(string(f.Name)); err != nil {
		return Grant{}, err
	}
	if err := wire.CheckFeedFilter(f.Filter); err != nil {
		return Grant{}, err
	}
	if !nkeys.IsValidPublicAccountKey(f.Account) || !nkeys.IsValidPublicUserKey(f.User) {
		return Grant{}, errors.New("account and user are no public nkeys of an account and a user")
	}
	for _, at := range []events.Millis{f.Made, f.Expires, f.Revoked} {
		if at < events.MinMillis || at > events.MaxMillis {
			return Grant{}, fmt.Errorf("%d is no time", at)
		}
	}
	return f.Grant, nil
}
