package broker

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats.go"

	"ullage/events"
	"ullage/syncd/trust"
)

// Replicas of each stream in a cluster: one server can be lost without a word, and two without a loss.
const Replicas = 3

// Errors about a cluster.
var (
	ErrAddress  = errors.New("not the address of a server")
	ErrUnsynced = errors.New("the cluster confirms what is not on a disk yet")
	ErrCluster  = errors.New("the cluster does not answer")
)

// ClusterConfig is what Join needs.
type ClusterConfig struct {
	Servers  []string // tls://HOST:PORT, each; devices are sent to them too
	TLS      *tls.Config
	Trust    *trust.Trust // opened for a cluster
	Unsynced bool         // servers that do not sync always are taken all the same
	Log      *slog.Logger
}

// Cluster is servers elsewhere, which this centre uses, perhaps with others. They know the operator's key and nobody's
// seed; accounts are handed to them, by the system's user, and each server keeps them in a folder.
//
// Several centres hand over the account of the devices. None takes back what another has revoked: the list of who is
// revoked only grows, but for those who rest, and these have a time when that ends.
type Cluster struct {
	keeper
	cfg ClusterConfig
	sys *nats.Conn

	news chan struct{} // a server has come up, or somebody's rest is over

	mu      sync.Mutex // guards what follows
	conns   []*nats.Conn
	resting map[string]time.Time // users, until when
	servers []ServerState        // as they answered last

	pushing sync.Mutex // one account at a time
}

// ServerState is what a server of a cluster says of itself.
type ServerState struct {
	Name   string
	Synced bool // it confirms only what is on its disk
	Away   bool // others know it, and it does not answer
}

// CheckServers looks at the form of addresses. Its error wraps ErrAddress.
func CheckServers(servers []string) error {
	if len(servers) == 0 {
		return fmt.Errorf("%w: none is given; tls://HOST:PORT is one", ErrAddress)
	}
	for _, s := range servers {
		u, err := url.Parse(s)
		if err != nil || u.Scheme != "tls" || u.Hostname() == "" || u.Port() == "" || u.User != nil || u.Path != "" || u.RawQuery != "" {
			return fmt.Errorf("%w: %.100q; tls://HOST:PORT is one", ErrAddress, s)
		}
	}
	return nil
}

// Join goes to a cluster, and makes sure that it may be relied on. Servers that are away are looked at when they come back
// (Run). Its errors wrap ErrAddress, ErrCluster where no answer came in time, and ErrUnsynced.
func Join(ctx context.Context, cfg ClusterConfig) (_ *Cluster, err error) {
	if err := CheckServers(cfg.Servers); err != nil {
		return nil, err
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	c := &Cluster{cfg: cfg, news: make(chan struct{}, 1), resting: map[string]time.Time{}}
	c.keeper = keeper{trust: cfg.Trust, log: cfg.Log, replicas: Replicas, connect: c.Connect}
	defer func() {
		if err != nil {
			c.Shutdown()
		}
	}()
	if err := c.until(ctx, func() error {
		c.sys, err = c.Connect(trust.System)
		return err
	}); err != nil {
		return nil, fmt.Errorf("%w at %s: %w", ErrCluster, c.ClientURL(), err)
	}
	if _, err := c.sys.Subscribe("$SYS.SERVER.*.STATSZ", c.heard()); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrCluster, err)
	}
	if err := c.until(ctx, func() error { return c.Look(ctx) }); err != nil {
		return nil, err
	}
	return c, c.until(ctx, func() error { return c.handOver(ctx) })
}

// joinTime is how long a start waits for a cluster, whose servers may be starting too.
const joinTime = 30 * time.Second

// until does something until it is done, ctx ends, or time is up. What a look has refused is not tried again.
func (c *Cluster) until(ctx context.Context, do func() error) error {
	ctx, cancel := context.WithTimeout(ctx, joinTime)
	defer cancel()
	for said := false; ; said = true {
		err := do()
		if err == nil || errors.Is(err, ErrUnsynced) {
			return err
		}
		if !said {
			c.log.Info("the cluster is waited for", "why", err)
		}
		select {
		case <-time.After(200 * time.Millisecond):
		case <-ctx.Done():
			return err
		}
	}
}

// EnsureStreams is that of the embedded server, but for a cluster that is waited for until it can make streams.
func (c *Cluster) EnsureStreams(ctx context.Context) error {
	var refused error
	err := c.until(ctx, func() error {
		err := c.keeper.EnsureStreams(ctx)
		if errors.Is(err, ErrStream) {
			refused = err
			return nil
		}
		return err
	})
	return errors.Join(refused, err)
}

// ClientURL is where devices connect: all servers, apart by commas.
func (c *Cluster) ClientURL() string { return strings.Join(c.cfg.Servers, ",") }

// How a server that stands still is noticed: a connection to it goes to another one.
const (
	pingEvery = 3 * time.Second
	pingMost  = 2
)

// Connect connects a part of the centre in its role, to any of the servers; the connection goes to another one where that
// is lost. While none is there, what is published fails at once rather than later than its sender thinks. The options are
// applied last. Shutdown closes it, if nobody has before.
func (c *Cluster) Connect(role trust.Role, opts ...nats.Option) (*nats.Conn, error) {
	user, inbox, err := c.trust.UserOption(role)
	if err != nil {
		return nil, err
	}
	all := []nats.Option{
		user, nats.Name(string(role)), nats.Secure(c.cfg.TLS.Clone()), nats.TLSHandshakeFirst(), nats.Timeout(5 * time.Second),
		nats.PingInterval(pingEvery), nats.MaxPingsOutstanding(pingMost),
		nats.MaxReconnects(-1), nats.ReconnectWait(100 * time.Millisecond), nats.ReconnectBufSize(-1),
	}
	if inbox != "" {
		all = append(all, nats.CustomInboxPrefix(inbox))
	}
	nc, err := nats.Connect(c.ClientURL(), append(all, opts...)...)
	if err != nil {
		return nil, fmt.Errorf("connect as %s: %w", role, err)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.conns = append(slices.DeleteFunc(c.conns, (*nats.Conn).IsClosed), nc)
	return nc, nil
}

// heard takes note of servers that tell of themselves, as each does when it comes up.
func (c *Cluster) heard() nats.MsgHandler {
	known := map[string]bool{}
	return func(m *nats.Msg) {
		if !known[m.Subject] {
			known[m.Subject] = true
			c.poke()
		}
	}
}

func (c *Cluster) poke() {
	select {
	case c.news <- struct{}{}:
	default:
	}
}

// lookEvery is how often servers and accounts are looked at without an occasion.
const lookEvery = 30 * time.Second

// Run looks after the cluster until ctx ends; then it returns nil. It returns an error that wraps ErrUnsynced where a server
// has come that does not sync always: nothing may be confirmed any more.
func (c *Cluster) Run(ctx context.Context) error {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-c.news:
		case <-tick.C:
		}
		err := c.Look(ctx)
		if errors.Is(err, ErrUnsynced) {
			return err
		}
		if err = errors.Join(err, c.handOver(ctx)); err != nil && ctx.Err() == nil {
			c.log.Warn("the cluster could not be looked after; it is tried again", "error", err)
		}
	}
}

// answered is what comes back from a question to all servers.
type answered struct {
	Server struct {
		Name string `json:"name"`
	} `json:"server"`
	Data  json.RawMessage `json:"data"`
	Error *struct {
		Description string `json:"description"`
	} `json:"error"`
}

// How long answers of all servers are waited for: the first, and then each.
const (
	firstAnswer = 2 * time.Second
	nextAnswer  = time.Second
)

// askAll asks all servers, and returns what answered: enough of them, or those that did in time.
func (c *Cluster) askAll(ctx context.Context, subject string, data []byte, enough int) ([]*nats.Msg, error) {
	inbox := c.sys.NewRespInbox()
	sub, err := c.sys.SubscribeSync(inbox)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrCluster, err)
	}
	defer sub.Unsubscribe()
	if err := c.sys.PublishRequest(subject, inbox, data); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrCluster, err)
	}
	var all []*nats.Msg
	for wait := firstAnswer; len(all) < enough; wait = nextAnswer {
		ctx, cancel := context.WithTimeout(ctx, wait)
		m, err := sub.NextMsgWithContext(ctx)
		cancel()
		if err != nil {
			break
		}
		all = append(all, m)
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%w: %s", ErrCluster, subject)
	}
	return all, nil
}

// Look asks every server how it is set up. The error wraps ErrCluster where too few answer to know, and ErrUnsynced, unless
// that is allowed.
func (c *Cluster) Look(ctx context.Context) error {
	all, err := c.askAll(ctx, "$SYS.REQ.SERVER.PING.JSZ", nil, math.MaxInt)
	if err != nil {
		return err
	}
	seen := map[string]ServerState{}
	led := false
	for _, m := range all {
		var a answered
		var js struct {
			Disabled bool `json:"disabled"`
			Config   struct {
				SyncAlways bool `json:"sync_always"`
			} `json:"config"`
			Meta *struct {
				Leader   string `json:"leader"`
				Replicas []struct {
					Name string `json:"name"`
				} `json:"replicas"`
			} `json:"meta_cluster"`
		}
		if err := json.Unmarshal(m.Data, &a); err != nil {
			return fmt.Errorf("%w: %w", ErrCluster, err)
		}
		if err := json.Unmarshal(a.Data, &js); err != nil {
			return fmt.Errorf("%w: %s: %w", ErrCluster, a.Server.Name, err)
		}
		if js.Disabled {
			continue // it keeps nothing
		}
		seen[a.Server.Name] = ServerState{Name: a.Server.Name, Synced: js.Config.SyncAlways}
		if js.Meta == nil {
			continue
		}
		led = led || js.Meta.Leader != ""
		for _, p := range js.Meta.Replicas {
			if _, ok := seen[p.Name]; !ok {
				seen[p.Name] = ServerState{Name: p.Name, Away: true}
			}
		}
	}
	var loose []string
	for _, s := range seen {
		if !s.Away && !s.Synced {
			loose = append(loose, s.Name)
		}
	}
	c.mu.Lock()
	c.servers = slices.SortedFunc(maps.Values(seen), func(a, b ServerState) int { return strings.Compare(a.Name, b.Name) })
	c.mu.Unlock()
	switch {
	case len(loose) > 0 && !c.cfg.Unsynced:
		slices.Sort(loose)
		return fmt.Errorf("%w: %s; set sync_interval: always in the part jetstream of its configuration, and start it again (or allow it with --unsynced)",
			ErrUnsynced, strings.Join(loose, ", "))
	case !led:
		return fmt.Errorf("%w: it has no leader", ErrCluster)
	}
	return nil
}

// size is how many servers answered at the last look.
func (c *Cluster) size() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := 0
	for _, s := range c.servers {
		if !s.Away {
			n++
		}
	}
	return n
}

// States are the servers at the last look, by name.
func (c *Cluster) States() []ServerState {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.servers)
}

// handOver makes sure that all servers that can be reached have all accounts as they should be.
func (c *Cluster) handOver(ctx context.Context) error {
	var err error
	for _, account := range c.trust.Accounts() {
		err = errors.Join(err, c.push(ctx, account))
	}
	return err
}

// push makes sure that the servers have an account as it should be, with all that anybody has revoked.
func (c *Cluster) push(ctx context.Context, account string) error {
	c.pushing.Lock()
	defer c.pushing.Unlock()
	for range 3 { // another centre may hand it over too
		token, err := c.wanted(ctx, account)
		if err != nil || token == "" {
			return err
		}
		all, err := c.askAll(ctx, "$SYS.REQ.CLAIMS.UPDATE", []byte(token), c.size())
		if err != nil {
			return err
		}
		for _, m := range all {
			var a answered
			if err := json.Unmarshal(m.Data, &a); err != nil {
				return fmt.Errorf("%w: %w", ErrCluster, err)
			}
			if a.Error != nil {
				return fmt.Errorf("server %s does not take account %s: %s", a.Server.Name, account, a.Error.Description)
			}
		}
	}
	return fmt.Errorf("%w: account %s does not stay as it should be", ErrCluster, account)
}

// wanted is what the servers should be given of an account; empty where all that answer have it.
func (c *Cluster) wanted(ctx context.Context, account string) (string, error) {
	token, err := c.trust.AccountResolver().Fetch(account)
	if err != nil {
		return "", fmt.Errorf("account %s: %w", account, err)
	}
	want, err := jwt.DecodeAccountClaims(token)
	if err != nil {
		return "", fmt.Errorf("account %s: %w", account, err)
	}
	all, err := c.askAll(ctx, "$SYS.REQ.ACCOUNT."+account+".CLAIMS.LOOKUP", nil, c.size())
	if err != nil {
		return "", err
	}
	now := time.Now()
	if want.Revocations == nil {
		want.Revocations = jwt.RevocationList{}
	}
	if account == c.trust.DevicesAccount() {
		c.mu.Lock()
		for user, until := range c.resting {
			if until.After(now) {
				want.Revocations[user] = max(want.Revocations[user], until.Unix())
			} else {
				delete(c.resting, user)
			}
		}
		c.mu.Unlock()
	}
	var have []*jwt.AccountClaims
	same := true
	for _, m := range all {
		if len(m.Data) == 0 {
			same = false
			continue
		}
		claims, err := jwt.DecodeAccountClaims(string(m.Data))
		if err != nil || claims.Subject != account {
			return "", fmt.Errorf("%w: account %s is given as %.40q", ErrCluster, account, m.Data)
		}
		have = append(have, claims)
		for user, until := range claims.Revocations {
			if until > now.Unix() { // the rest of who rests is over
				want.Revocations[user] = max(want.Revocations[user], until)
			}
		}
	}
	for _, claims := range have {
		same = same && sameClaims(claims, want)
	}
	if same {
		return "", nil
	}
	return c.trust.SignAccount(want)
}

// sameClaims compares claims but for when they were signed.
func sameClaims(a, b *jwt.AccountClaims) bool {
	plain := func(c *jwt.AccountClaims) string {
		p := *c
		p.ID, p.IssuedAt, p.Issuer = "", 0, ""
		if len(p.Revocations) == 0 {
			p.Revocations = nil
		}
		b, err := json.Marshal(p)
		if err != nil {
			return err.Error()
		}
		return string(b)
	}
	return plain(a) == plain(b)
}

// pushTime bounds a change that somebody waits for.
const pushTime = 15 * time.Second

// UpdateDevicesAccount hands over the claims that trust.Revoke returned: the servers cut the connections of devices that are
// revoked. A server that is away takes them when it comes back.
func (c *Cluster) UpdateDevicesAccount(claims *jwt.AccountClaims) error {
	ctx, cancel := context.WithTimeout(context.Background(), pushTime)
	defer cancel()
	return c.push(ctx, claims.Subject)
}

// Rest cuts a device's connections, by the public key that it connects by, and lets none in for a while.
func (c *Cluster) Rest(user string, length time.Duration) error {
	c.mu.Lock()
	c.resting[user] = time.Now().Add(length)
	c.mu.Unlock()
	time.AfterFunc(length+time.Second, c.poke)
	ctx, cancel := context.WithTimeout(context.Background(), pushTime)
	defer cancel()
	return c.push(ctx, c.trust.DevicesAccount())
}

// Admit hands over the account of a grant, and makes its consumer.
func (c *Cluster) Admit(ctx context.Context, g trust.Grant) error {
	if err := c.push(ctx, g.Account); err != nil {
		return err
	}
	return c.keeper.Admit(ctx, g)
}

// EndGrant hands over the claims that trust.RevokeGrant returned, and takes the consumer away.
func (c *Cluster) EndGrant(ctx context.Context, name events.DeviceID, claims *jwt.AccountClaims) error {
	if err := c.push(ctx, claims.Subject); err != nil {
		return err
	}
	return c.dismiss(ctx, name)
}

// Shutdown closes the connections that Connect made. A second call does nothing.
func (c *Cluster) Shutdown() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, nc := range c.conns {
		nc.Close()
	}
	c.conns = nil
}
