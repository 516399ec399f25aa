package storm

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"ullage/agent/journal"
	"ullage/cmd/internal/officecli"
	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
	"ullage/syncd/broker"
	"ullage/syncd/store"
	"ullage/syncd/trust"
)

// settle waits until the office would see everything, and notes how long that takes.
func (s *storm) settle(context.Context) error {
	var words strings.Builder
	began := time.Now()
	ask := []string{"machine", "--machine", fmt.Sprintf("%s-m0", name(0)), "--json", "--dir", s.centreDir()}
	for officecli.Main(ask, strings.NewReader(""), io.Discard, &words) != 0 {
		if time.Since(began) > patience {
			return errors.New(words.String())
		}
		words.Reset()
		time.Sleep(100 * time.Millisecond)
	}
	s.report.Settled = seconds(time.Since(began))
	return nil
}

// records counts, for one device, how often each record stands somewhere: by number, and by hash, of which a number has
// one where nothing is wrong.
type counts map[events.Seq]map[events.Hash]int

type ledger map[events.DeviceID]counts

func (l ledger) add(device events.DeviceID, seq events.Seq, hash events.Hash) {
	c := l[device]
	if c == nil {
		c = counts{}
		l[device] = c
	}
	if c[seq] == nil {
		c[seq] = map[events.Hash]int{}
	}
	c[seq][hash]++
}

// check holds the receipts of all devices against the streams and the read model of the centre, which has ended.
func (s *storm) check(ctx context.Context) error {
	stored, places, err := s.stored(ctx)
	if err != nil {
		return err
	}
	shown, err := s.shown(ctx)
	if err != nil {
		return err
	}
	for n := range s.Devices {
		if err := s.checkDevice(name(n), stored[name(n)], shown[name(n)], places); err != nil {
			return fmt.Errorf("%s: %w", name(n), err)
		}
	}
	return nil
}

// stored is what stands in RECORDS, and the places of its messages.
func (s *storm) stored(ctx context.Context) (ledger, map[uint64]events.Hash, error) {
	l, places := ledger{}, map[uint64]events.Hash{}
	b, err := openBare(s.centreDir())
	if err != nil {
		return nil, nil, err
	}
	defer b.close()
	err = b.each(ctx, func(m jetstream.Msg, seq uint64) error {
		commit, records, err := wire.DecodeStored(m.Data())
		if err != nil {
			return fmt.Errorf("message %d: %w", seq, err)
		}
		places[seq] = wire.HashData(m.Data())
		for i, r := range records {
			l.add(commit.Device, commit.Range.From+events.Seq(i), events.HashRecord(r))
		}
		if strings.HasPrefix(string(commit.Device), "van-") {
			s.messages = append(s.messages, m.Data())
			s.report.Stored += int64(len(m.Data()))
		}
		return nil
	})
	return l, places, err
}

// shown is what stands in the read model.
func (s *storm) shown(ctx context.Context) (_ ledger, err error) {
	m, err := store.Open(store.Config{
		Dir: filepath.Join(s.centreDir(), "model"), Log: slog.New(slog.DiscardHandler),
		Office: func(id events.DeviceID) bool { return strings.HasPrefix(string(id), "office-") },
	})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, m.Close()) }()
	l := ledger{}
	err = m.Each(ctx, func(a *projections.Arrival) error {
		l.add(a.Record.Device, a.Record.Seq, a.Hash)
		return nil
	})
	return l, err
}

// checkDevice holds one device's journal against what is stored and shown of it.
func (s *storm) checkDevice(id events.DeviceID, stored, shown counts, places map[uint64]events.Hash) error {
	r, err := journal.OpenRead(journal.Config{Dir: filepath.Join(home(s.Dir, id), "journal")})
	if err != nil {
		return err
	}
	defer r.Close()
	payload, ok := r.LastReceipt()
	if !ok {
		s.report.Unreceipted += int(r.Head().Seq)
		return nil
	}
	receipt, err := wire.DecodeReceipt(payload)
	if err != nil {
		return err
	}
	if places[receipt.Place.Seq] != receipt.Place.Hash {
		s.report.Misplaced++
	}
	s.report.Unreceipted += int(r.Head().Seq - receipt.Last)
	return r.Scan(1, func(seq events.Seq, record []byte) error {
		if seq > receipt.Last {
			return nil
		}
		s.report.Receipted++
		hash := events.HashRecord(record)
		in, shown := once(stored[seq], hash), once(shown[seq], hash)
		if in == missing || shown == missing {
			s.report.Lost++
		}
		if in == more || shown == more {
			s.report.Doubled++
		}
		return nil
	})
}

// How often a record stands where it should stand once.
const (
	missing = iota
	exactly
	more
)

// once tells it, of what stands under a record's number: another record there is one too many.
func once(found map[events.Hash]int, hash events.Hash) int {
	n := found[hash]
	switch {
	case n == 0:
		return missing
	case n > 1 || len(found) > 1:
		return more
	}
	return exactly
}

// bare is a broker on a centre's folder without the centre.
type bare struct {
	trust  *trust.Trust
	broker *broker.Broker
}

func openBare(dir string) (_ *bare, err error) {
	b := &bare{}
	if b.trust, err = trust.Open(trust.Config{Dir: dir}); err != nil {
		return nil, err
	}
	if b.broker, err = broker.Start(broker.Config{Dir: filepath.Join(dir, "streams"), Trust: b.trust}); err != nil {
		return nil, errors.Join(err, b.trust.Close())
	}
	return b, nil
}

func (b *bare) close() error {
	b.broker.Shutdown()
	return b.trust.Close()
}

// each reads all of RECORDS.
func (b *bare) each(ctx context.Context, fn func(jetstream.Msg, uint64) error) error {
	nc, err := b.broker.Connect(trust.Reader)
	if err != nil {
		return err
	}
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	stream, err := js.Stream(ctx, wire.Records.Name)
	if err != nil {
		return err
	}
	if stream.CachedInfo().State.Msgs == 0 {
		return nil
	}
	consumer, err := stream.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{})
	if err != nil {
		return err
	}
	in, err := consumer.Messages()
	if err != nil {
		return err
	}
	defer in.Stop()
	for {
		m, err := in.Next(jetstream.NextContext(ctx))
		if err != nil {
			return err
		}
		meta, err := m.Metadata()
		if err != nil {
			return err
		}
		if err := fn(m, meta.Sequence.Stream); err != nil || meta.NumPending == 0 {
			return err
		}
	}
}

// publish publishes what the devices' pushes became to a broker of its own, one after the other, each synced.
func (s *storm) publish(ctx context.Context) error {
	b, err := openBare(filepath.Join(s.Dir, "bare"))
	if err != nil {
		return err
	}
	defer b.close()
	if err := b.broker.EnsureStreams(ctx); err != nil {
		return err
	}
	nc, err := b.broker.Connect(trust.GateCentre)
	if err != nil {
		return err
	}
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	began := time.Now()
	for _, data := range s.messages {
		if _, err := js.Publish(ctx, wire.PushSubject("bare"), data); err != nil {
			return err
		}
	}
	s.report.Bare = seconds(time.Since(began))
	return nil
}
