package cluster

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/nats-io/nats.go/jetstream"

	"ullage/events/wire"
	"ullage/syncd/stream"
)

// Of two who store behind the same message at one moment one does, and the other is told that something else was stored: by
// the broker's code 10071, or by 10164 while the first is still on its way to the other servers.
func TestTwoAtOnce(t *testing.T) {
	w := newWorld(t)
	s := w.serve(filepath.Join(w.dir, "centre"))
	s.end()
	var gates [2]stream.Stream
	for i := range gates {
		nc := w.inside("push.*", "$JS.API.STREAM.INFO."+wire.Records.Name, "$JS.API.STREAM.MSG.GET."+wire.Records.Name)
		var err error
		if gates[i], err = stream.Open(t.Context(), nc, wire.Records.Name); err != nil {
			t.Fatal(err)
		}
	}
	codes := map[jetstream.ErrorCode]int{}
	var last uint64
	moved := func(n int, err error) {
		var api *jetstream.APIError
		if !errors.Is(err, stream.ErrMoved) || !errors.As(err, &api) {
			t.Fatalf("round %d: %v", n, err)
		}
		codes[api.ErrorCode]++
	}
	const rounds = 200
	for n := range rounds {
		var seqs [2]uint64
		var errs [2]error
		var both sync.WaitGroup
		before := last
		for i := range gates {
			both.Go(func() {
				seqs[i], errs[i] = gates[i].Append(t.Context(), "push.tab-1", []byte(fmt.Sprint(n, i)), stream.Expect{Last: last, OnSubject: true})
			})
		}
		both.Wait()
		stored := 0
		for i, err := range errs {
			if err != nil {
				moved(n, err)
				continue
			}
			stored++
			last = seqs[i]
		}
		if stored != 1 {
			t.Fatalf("round %d: %d were stored: %v", n, stored, errs)
		}
		_, err := gates[0].Append(t.Context(), "push.tab-1", []byte("late"), stream.Expect{Last: before, OnSubject: true})
		moved(n, err)
		m, err := gates[0].Last(t.Context(), "push.tab-1")
		if err != nil || m.Seq != last || !strings.HasPrefix(string(m.Data), fmt.Sprint(n, " ")) {
			t.Fatalf("round %d: %q stands last, at %d: %v", n, m.Data, m.Seq, err)
		}
	}
	if len(codes) != 2 || codes[10071] == 0 || codes[10164] == 0 { // as the server's errors.json numbers them
		t.Errorf("of %d, so many were told so by these codes: %v", 2*rounds, codes)
	}
	if at, err := gates[1].State(t.Context()); err != nil || at.Last != rounds {
		t.Errorf("%d messages are there, of %d: %v", at.Last, rounds, err)
	}
}
