package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"reflect"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"ullage/events/wire"
	"ullage/syncd/trust"
)

// ErrStream is in the error of EnsureStreams about a stream that exists with other settings.
var ErrStream = errors.New("the stream has other settings")

// Streams are the streams of this version in which records are; FEED, which is made of them, is not one.
func Streams() []wire.Stream { return []wire.Stream{wire.Records, wire.Log, wire.Aside} }

// keeper makes the streams, and the consumers of integrators, whichever way the servers are reached.
type keeper struct {
	trust    *trust.Trust
	log      *slog.Logger
	replicas int  // of each stream
	alone    bool // nobody else makes consumers of integrators
	connect  func(trust.Role, ...nats.Option) (*nats.Conn, error)
}

// EnsureStreams makes the streams that are missing. One that exists with settings by which records could be lost,
// changed or read stale is refused, with what differs; it is never bent into shape, because that can delete. Its error
// then wraps ErrStream.
//
// A stream whose description is damaged is missing to the server, which yet finds the messages when the stream is made
// again. It then has another time of creation, by which every reader of places goes back and looks.
func (k *keeper) EnsureStreams(ctx context.Context) error {
	err := k.manage(trust.Manager, func(js jetstream.JetStream) error {
		for _, def := range Streams() {
			if err := k.ensure(ctx, js, def); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return k.ensureFeed(ctx)
}

// manage does something with streams in a role.
func (k *keeper) manage(role trust.Role, do func(jetstream.JetStream) error) error {
	nc, err := k.connect(role)
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

func (k *keeper) ensure(ctx context.Context, js jetstream.JetStream, def wire.Stream) error {
	found, err := ensure(ctx, js, def, k.replicas)
	if err != nil {
		return fmt.Errorf("stream %s: %w", def.Name, err)
	}
	if found > 0 {
		k.log.Warn("a stream's description was lost; it is set up again over the messages that are there", "stream", def.Name, "messages", found)
	}
	return nil
}

// ensure returns the messages that a stream had which it made anew.
func ensure(ctx context.Context, js jetstream.JetStream, def wire.Stream, replicas int) (found uint64, err error) {
	want := settings(def, replicas)
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
func settings(def wire.Stream, replicas int) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name: def.Name, Subjects: def.Subjects,
		Storage: jetstream.FileStorage, Replicas: replicas,
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
