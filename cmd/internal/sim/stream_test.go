package sim

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ullage/events/wire"
	"ullage/syncd/broker"
	"ullage/syncd/stream"
	"ullage/syncd/trust"
)

// TestAsTheBroker does the same at random with a stream in memory and with one of the real broker, and compares every
// answer: expectations that hold and do not, questions for what is there and is not, a block that is damaged while the broker
// is down.
func TestAsTheBroker(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	if s := *seedFlag; s != 0 {
		seed = s
	}
	t.Logf("-sim.seed=%d", seed)
	rng := rand.New(rand.NewPCG(seed, 2))
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	dir := t.TempDir()
	keys, err := trust.Open(trust.Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer keys.Close()
	var b *broker.Broker
	var real gateAndReader // each may what its part of the centre needs, and no more
	open := func() {
		if b, err = broker.Start(broker.Config{Dir: filepath.Join(dir, "streams"), Trust: keys}); err != nil {
			t.Fatal(err)
		}
		if err := b.EnsureStreams(ctx); err != nil {
			t.Fatal(err)
		}
		for role, s := range map[trust.Role]*stream.Stream{trust.GateCentre: &real.Stream, trust.Reader: &real.reads} {
			nc, err := b.Connect(role)
			if err != nil {
				t.Fatal(err)
			}
			if *s, err = stream.Open(ctx, nc, wire.Records.Name); err != nil {
				t.Fatal(err)
			}
		}
	}
	open()
	defer func() { b.Shutdown() }()
	w := &world{calm: true, now: time.Now()}
	ours := newMemory(w, wire.Records.Name)
	subjects := []string{"push.tab-1", "push.tab-2", "push.tab-3"}
	// say is what a stream answers, in words that are the same for both.
	shown := func(m stream.Message, err error) string {
		return fmt.Sprintf("%d %s %x %v", m.Seq, m.Subject, m.Data, err != nil)
	}
	compare := func(what string, ask func(stream.Stream) string) {
		t.Helper()
		if got, want := ask(ours), ask(real); got != want {
			t.Fatalf("%s: in memory %q, the broker %q", what, got, want)
		}
	}
	random := func(n int) {
		for range n {
			s := subjects[rng.IntN(len(subjects))]
			seq := uint64(rng.IntN(len(ours.kept) + 3))
			switch rng.IntN(6) {
			case 0, 1, 2:
				data := []byte(fmt.Sprint(rng.Uint64()))
				e := stream.Expect{Last: ours.last[s], OnSubject: true}
				if rng.IntN(3) == 0 {
					e.Last = uint64(rng.IntN(len(ours.kept) + 2))
				}
				compare(fmt.Sprintf("append to %s after %+v", s, e), func(x stream.Stream) string {
					seq, err := x.Append(ctx, s, data, e)
					return fmt.Sprintf("%d %v", seq, kindOf(err))
				})
			case 3:
				compare(fmt.Sprintf("message %d", seq), func(x stream.Stream) string { return shown(x.Get(ctx, max(seq, 1))) })
			case 4:
				if rng.IntN(2) == 0 {
					s = stream.Any
				}
				compare(fmt.Sprintf("from %d on %s", seq, s), func(x stream.Stream) string { return shown(x.From(ctx, s, seq)) })
			case 5:
				compare("last on "+s, func(x stream.Stream) string { return shown(x.Last(ctx, s)) })
			}
		}
	}
	whole := func() {
		t.Helper()
		compare("state", func(x stream.Stream) string {
			at, err := x.State(ctx)
			return fmt.Sprintf("%d %v", at.Last, err)
		})
		after := uint64(rng.IntN(len(ours.kept) + 1))
		until := uint64(rng.IntN(len(ours.kept) + 2))
		compare(fmt.Sprintf("each behind %d until %d", after, until), func(x stream.Stream) string {
			text := ""
			err := x.Each(ctx, after, until, func(m stream.Message) error { text += shown(m, nil) + "\n"; return nil })
			return text + fmt.Sprint(err)
		})
	}
	random(300)
	whole()
	whole()

	// A bit is flipped in the one block that there is: what stands behind it is gone, and its numbers are given out again.
	b.Shutdown()
	files, err := filepath.Glob(filepath.Join(dir, "streams", "jetstream", "*", "streams", wire.Records.Name, "msgs", "*.blk"))
	if err != nil || len(files) != 1 {
		t.Fatalf("blocks: %q, %v", files, err)
	}
	raw, err := os.ReadFile(files[0])
	if err != nil {
		t.Fatal(err)
	}
	raw[len(raw)/2] ^= 4
	if err := os.WriteFile(files[0], raw, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(filepath.Dir(files[0]), "index.db")); err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	open()
	at, err := real.State(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if n := uint64(len(ours.kept)); at.Last == 0 || at.Last >= n {
		t.Fatalf("the broker has %d messages of %d after the damage", at.Last, n)
	}
	ours.damage(at.Last+1, uint64(len(ours.kept)))
	whole()
	random(200)
	whole()
}

// gateAndReader is one stream over two connections.
type gateAndReader struct {
	stream.Stream
	reads stream.Stream
}

func (g gateAndReader) State(ctx context.Context) (stream.State, error) { return g.reads.State(ctx) }

func (g gateAndReader) Each(ctx context.Context, after, until uint64, fn func(stream.Message) error) error {
	return g.reads.Each(ctx, after, until, fn)
}

// kindOf is which of the outcomes an error is.
func kindOf(err error) string {
	for _, e := range []error{stream.ErrMoved, stream.ErrUnknown, stream.ErrUnavailable} {
		if errors.Is(err, e) {
			return e.Error()
		}
	}
	if err != nil {
		return err.Error()
	}
	return ""
}
