package trust

import (
	"fmt"
	"io"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"

	"ullage/events/wire"
)

// Role is one of the centre's own users.
type Role string

// The roles, one for each hand that the centre reaches into the broker with.
const (
	GateDevices Role = "gate-devices" // in DEVICES: hears what devices ask, answers in their inboxes
	GateCentre  Role = "gate-centre"  // in CENTRE: commits pushes, and reads a subject's last message
	Manager     Role = "manager"      // in CENTRE: makes the streams; it cannot change or delete one
	Reader      Role = "reader"       // in CENTRE: reads RECORDS through pull consumers of its own
	Logger      Role = "logger"       // in CENTRE: reads RECORDS and LOG likewise, and appends to LOG
	FeedManager Role = "feed-manager" // in FEED: makes the stream, and the consumers of those who were granted one
	FeedWriter  Role = "feed-writer"  // in FEED: publishes events

	// System is in SYS, and only where the servers are a cluster: it asks them how they are set up, and hands them accounts.
	System Role = "system"
)

// Roles are all but System.
func Roles() []Role {
	return []Role{GateDevices, GateCentre, Manager, Reader, Logger, FeedManager, FeedWriter}
}

// rights are what a role may do. Whoever wants answers subscribes on the inbox; GateDevices asks nothing.
type rights struct {
	account  func(*keys) pair
	pub, sub []string
	inbox    string
}

func rightsOf(role Role) (rights, error) {
	const api = "$JS.API."
	records, log, aside, feed := wire.Records.Name, wire.Log.Name, wire.Aside.Name, wire.Feed.Name
	switch role {
	case GateDevices:
		return rights{account: devicesRoom, pub: []string{"inbox.*.>"}, sub: []string{"up.*.*"}}, nil
	case GateCentre:
		return inCentre("_in.gate",
			"push.*", "branch.*", "aside.*",
			api+"STREAM.INFO."+records, api+"STREAM.MSG.GET."+records,
			api+"STREAM.INFO."+aside, api+"STREAM.MSG.GET."+aside), nil
	case Manager:
		return inCentre("_in.manager",
			api+"STREAM.CREATE."+records, api+"STREAM.INFO."+records,
			api+"STREAM.CREATE."+log, api+"STREAM.INFO."+log,
			api+"STREAM.CREATE."+aside, api+"STREAM.INFO."+aside), nil
	case Reader:
		return inCentre("_in.reader", reading(records)...), nil
	case Logger:
		return inCentre("_in.logger", append(append(reading(records), reading(log)...), wire.LogSubject)...), nil
	case FeedManager:
		return inFeed("_in.feed-manager",
			api+"STREAM.CREATE."+feed, api+"STREAM.INFO."+feed,
			api+"CONSUMER.CREATE."+feed+".>", api+"CONSUMER.INFO."+feed+".*", api+"CONSUMER.NAMES."+feed,
			api+"CONSUMER.DELETE."+feed+".*"), nil
	case FeedWriter:
		return inFeed("_in.feed-writer", wire.Feed.Subjects...), nil
	case System:
		return rights{
			account: systemRoom, inbox: "_in.system",
			pub: []string{"$SYS.REQ.SERVER.PING.JSZ", "$SYS.REQ.CLAIMS.UPDATE", "$SYS.REQ.ACCOUNT.*.CLAIMS.LOOKUP"},
			sub: []string{"_in.system.>", "$SYS.SERVER.*.STATSZ"},
		}, nil
	}
	return rights{}, fmt.Errorf("no role %q", role)
}

// reading are the subjects by which one reads a stream. One acknowledges nothing: a reader keeps its own place.
func reading(stream string) []string {
	const api = "$JS.API."
	return []string{
		api + "STREAM.INFO." + stream, api + "STREAM.MSG.GET." + stream,
		api + "CONSUMER.CREATE." + stream + ".>", api + "CONSUMER.INFO." + stream + ".*",
		api + "CONSUMER.MSG.NEXT." + stream + ".*", api + "CONSUMER.DELETE." + stream + ".*",
	}
}

func inCentre(inbox string, pub ...string) rights {
	return rights{account: centreRoom, pub: pub, sub: []string{inbox + ".>"}, inbox: inbox}
}

func inFeed(inbox string, pub ...string) rights {
	r := inCentre(inbox, pub...)
	r.account = feedRoom
	return r
}

// The rooms in which the centre has users.
func systemRoom(k *keys) pair  { return k.system }
func centreRoom(k *keys) pair  { return k.centre }
func devicesRoom(k *keys) pair { return k.devices }
func feedRoom(k *keys) pair    { return k.feed }

// user is a role's credential of this run.
type user struct {
	token, seed string
	inbox       string
}

// makeUsers makes those of a run: for connections within the process, or to a cluster.
func makeUsers(k *keys, random io.Reader, cluster bool) (map[Role]user, error) {
	users := map[Role]user{}
	roles, way := Roles(), jwt.ConnectionTypeInProcess
	if cluster {
		roles, way = append(roles, System), jwt.ConnectionTypeStandard
	}
	for _, role := range roles {
		r, err := rightsOf(role)
		if err != nil {
			return nil, err
		}
		key, err := pairOf(nkeys.CreatePairWithRand(nkeys.PrefixByteUser, random))
		if err != nil {
			return nil, fmt.Errorf("user %s: %w", role, err)
		}
		c := jwt.NewUserClaims(key.public)
		c.Name = string(role)
		c.Pub.Allow.Add(r.pub...)
		c.Sub.Allow.Add(r.sub...)
		c.AllowedConnectionTypes.Add(way)
		token, err := c.Encode(r.account(k))
		if err != nil {
			return nil, fmt.Errorf("user %s: %w", role, err)
		}
		seed, err := key.Seed()
		if err != nil {
			return nil, fmt.Errorf("user %s: %w", role, err)
		}
		users[role] = user{token, string(seed), r.inbox}
	}
	return users, nil
}

// UserOption is how a role shows itself to the broker, and the prefix of its inbox, for nats.CustomInboxPrefix; empty
// for GateDevices, which can receive no answers. The credential holds for connections within this process only
// (nats.InProcessServer), or where Config.Cluster is set, for those over TLS; its key is gone when the process ends.
func (t *Trust) UserOption(role Role) (nats.Option, string, error) {
	u, ok := t.users[role]
	if !ok {
		return nil, "", fmt.Errorf("no role %q", role)
	}
	return nats.UserJWTAndSeed(u.token, u.seed), u.inbox, nil
}
