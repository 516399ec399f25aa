package broker

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"ullage/events/wire"
	"ullage/syncd/trust"
)

// ErrStream is in the error of EnsureStreams about a stream that exists with other settings.
var ErrStream = errors.New("the stream has other settings")

// Streams are the streams of this version in which records are; FEED, which is made of them, is not one.
func Streams() []wire.Stream { return []wire.Stream{wire.Records, wire.Log, wire.Aside} }

// EnsureStreams makes the streams that are missing. One that exists with settings by which records could be lost,
// changed or read stale is refused, with what differs; it is never bent into shape, because that can delete. Its error
// then wraps ErrStream.
//
// A stream whose description is damaged is missing to the server, which yet finds the messages when the stream is made
// again. It then has another time of creation, by which every reader of places goes back and looks.
func (b *Broker) EnsureStreams(ctx context.Context) error {
	err := b.manage(trust.Manager, func(js jetstream.JetStream) error {
		for _, def := range Streams() {
			if err := b.ensure(ctx, js, def); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return b.ensureFeed(ctx)
}

// manage does something with streams in a role.
func (b *Broker) manage(role trust.Role, do func(jetstream.JetStream) error) error {
	nc, err := b.Connect(role)
	if err != nil {
		return err
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		return fmt.Errorf("manage streams: %w", err)
	}
	return do(js)
}

func (b *Broker) ensure(ctx context.Context, js jetstream.JetStream, def wire.Stream) error {
	found, err := ensure(ctx, js, def)
	if err != nil {
		return fmt.Errorf("stream %s: %w", def.Name, err)
	}
	if found > 0 {
		b.log.Warn("a stream's description was lost; it is set up again over the messages that are there", "stream", def.Name, "messages", found)
	}
	return nil
}

// ensure returns the messages that a stream had which it made anew.
func ensure(ctx context.Context, js jetstream.JetStream, def wire.Stream) (found uint64, err error) {
	want := settings(def)
	s, err := js.Stream(ctx, def.Name)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		if s, err = js.CreateStream(ctx, want); err == nil {
			found = s.CachedInfo().State.Msgs
		}
	}
	if err != nil {
		return 0, err
	}
	if diff := differences(s.CachedInfo().Config, want); len(diff) > 0 {
		return 0, fmt.Errorf("%w: %s", ErrStream, strings.Join(diff, "; "))
	}
	return found, nil
}

// settings are all the settings of a stream, those too that the server would fill in.
func settings(def wire.Stream) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name: def.Name, Subjects: def.Subjects,
		Storage: jetstream.FileStorage, Replicas: 1,
		// Nothing falls out: no limit is set, and where one would be reached, the new message is refused.
		Retention: jetstream.LimitsPolicy, Discard: jetstream.DiscardNew,
		MaxMsgs: -1, MaxBytes: -1, MaxMsgsPerSubject: -1, MaxConsumers: -1,
		MaxMsgSize: def.MaxMsgSize,
		DenyDelete: def.DenyDelete, DenyPurge: def.DenyPurge,
		// Nothing rests on the window in which the server knows a message's id; this is the smallest it takes.
		Duplicates: 100 * time.Millisecond,
	}
}

// Settings that lose, change or delay nothing.
var harmless = map[string]bool{"Description": true, "Metadata": true, "Placement": true}

// differences compares every setting that the client library knows, so that a new one which we do not set is seen.
func differences(got, want jetstream.StreamConfig) []string {
	var diff []string
	g, w := reflect.ValueOf(got), reflect.ValueOf(want)
	for i := range g.NumField() {
		name := g.Type().Field(i).Name
		a, b := g.Field(i), w.Field(i)
		if harmless[name] || a.IsZero() && b.IsZero() || a.Kind() == reflect.Slice && a.Len() == 0 && b.Len() == 0 {
			continue
		}
		if !reflect.DeepEqual(a.Interface(), b.Interface()) {
			diff = append(diff, fmt.Sprintf("%s is %v, not %v", name, a.Interface(), b.Interface()))
		}
	}
	return diff
}
