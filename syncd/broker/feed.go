package broker

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/trust"
)

// What an integrator's consumer hands out at once, and how long it waits. A client may ask for less, and gets an error
// where it asks for more.
const (
	PullMessages = 256
	PullBytes    = wire.MaxMessage
	PullExpires  = 60 * time.Second
	PullsWaiting = 16
	ackWait      = 60 * time.Second
	maxUnacked   = 1024
)

// ensureFeed makes the stream FEED and the consumers of all grants that are in force, and takes away those of nobody; where
// others make some too, it does not know whose they are.
func (k *keeper) ensureFeed(ctx context.Context) error {
	return k.manage(trust.FeedManager, func(js jetstream.JetStream) error {
		if err := k.ensure(ctx, js, wire.Feed); err != nil {
			return err
		}
		wanted := map[string]bool{}
		for _, g := range k.trust.Grants() {
			if !g.InForce(time.Now()) {
				continue
			}
			wanted[string(g.Name)] = true
			if err := admit(ctx, js, g); err != nil {
				return err
			}
		}
		if !k.alone {
			return nil
		}
		s, err := js.Stream(ctx, wire.Feed.Name)
		if err != nil {
			return fmt.Errorf("stream %s: %w", wire.Feed.Name, err)
		}
		names := s.ConsumerNames(ctx)
		var idle []string
		for name := range names.Name() {
			if !wanted[name] {
				idle = append(idle, name)
			}
		}
		if err := names.Err(); err != nil {
			return fmt.Errorf("consumers of %s: %w", wire.Feed.Name, err)
		}
		for _, name := range idle {
			if err := dismiss(ctx, js, name); err != nil {
				return err
			}
		}
		return nil
	})
}

// Admit makes the consumer of a grant, which begins at the feed's first event and keeps its place for ever.
func (k *keeper) Admit(ctx context.Context, g trust.Grant) error {
	return k.manage(trust.FeedManager, func(js jetstream.JetStream) error { return admit(ctx, js, g) })
}

func admit(ctx context.Context, js jetstream.JetStream, g trust.Grant) error {
	_, err := js.CreateOrUpdateConsumer(ctx, wire.Feed.Name, jetstream.ConsumerConfig{
		Name: string(g.Name), Durable: string(g.Name), FilterSubject: g.Filter,
		DeliverPolicy: jetstream.DeliverAllPolicy, AckPolicy: jetstream.AckExplicitPolicy, AckWait: ackWait, MaxAckPending: maxUnacked,
		MaxWaiting: PullsWaiting, MaxRequestBatch: PullMessages, MaxRequestMaxBytes: PullBytes, MaxRequestExpires: PullExpires,
	})
	if err != nil {
		return fmt.Errorf("the consumer of %s: %w", g.Name, err)
	}
	return nil
}

func dismiss(ctx context.Context, js jetstream.JetStream, name string) error {
	if err := js.DeleteConsumer(ctx, wire.Feed.Name, name); err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
		return fmt.Errorf("the consumer of %s: %w", name, err)
	}
	return nil
}

// EndGrant applies the claims that trust.RevokeGrant returned: it cuts the integrator's connections, and takes the
// consumer away.
func (b *Broker) EndGrant(ctx context.Context, name events.DeviceID, claims *jwt.AccountClaims) error {
	account, err := b.srv.LookupAccount(claims.Subject)
	if err != nil {
		return fmt.Errorf("broker: the account of %s: %w", name, err)
	}
	b.srv.UpdateAccountClaims(account, claims)
	return b.dismiss(ctx, name)
}

// dismiss takes the consumer of a grant away.
func (k *keeper) dismiss(ctx context.Context, name events.DeviceID) error {
	return k.manage(trust.FeedManager, func(js jetstream.JetStream) error { return dismiss(ctx, js, string(name)) })
}
