package store

import (
	"bufio"
	"context"
	"encoding/gob"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"ullage/events/wire"
	"ullage/projections"
)

const childEnv = "ULLAGE_STORE_CHILD"

// toWrite is what the child reads.
type toWrite struct {
	Data   []byte
	Seq    uint64
	Hash   [32]byte
	Device string
}

// writeUntilKilled is the child: it writes messages into a model, one transaction each, and says so.
func writeUntilKilled(dir string) {
	check := func(err error) {
		if err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
	}
	f, err := os.Open(filepath.Join(dir, "messages"))
	check(err)
	var messages []toWrite
	check(gob.NewDecoder(f).Decode(&messages))
	s, err := Open(config(dir))
	check(err)
	e, err := newEngine(s.model, s.cfg.Log)
	check(err)
	for _, m := range messages[s.Place().Seq:] {
		msg, err := readMessage(wire.Place{Seq: m.Seq, Hash: m.Hash, Created: 1}, m.Data, byOffice)
		check(err)
		msg.sort()
		check(e.apply([]*message{msg}))
		fmt.Println(m.Seq)
	}
	fmt.Println("done")
	time.Sleep(time.Minute)
}

// Whenever the writer is killed, the model stands behind some message, whole, and goes on from there.
func TestKilled(t *testing.T) {
	company := run(t, 1000, 2)
	dir := t.TempDir()
	f, err := os.Create(filepath.Join(dir, "messages"))
	if err != nil {
		t.Fatal(err)
	}
	var list []toWrite
	for _, m := range company.messages {
		list = append(list, toWrite{m.data, m.place.Seq, m.place.Hash, string(m.device)})
	}
	if err := gob.NewEncoder(f).Encode(list); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	for after := time.Duration(0); ; after += 3 * time.Millisecond {
		said, done := runChild(t, dir, after)
		s := open(t, dir)
		at := s.Place()
		if at.Seq < said || at.Seq > 0 && at != company.messages[at.Seq-1].place {
			t.Fatalf("killed after message %d was written, the model stands at %+v", said, at)
		}
		n := 0
		for _, m := range company.messages[:at.Seq] {
			n += len(m.brings)
		}
		got := 0
		err := s.Each(context.Background(), func(*projections.Arrival) error { got++; return nil })
		if err != nil || got != n {
			t.Fatalf("%d records up to message %d, want %d; %v", got, at.Seq, n, err)
		}
		if done {
			wantRestatements(t, s, company.restated())
		}
		shut(t, s)
		if done {
			return
		}
	}
}

// runChild starts the child, and kills it some time after its next word. It returns the last message that it said it
// had written, and whether that was the last of all.
func runChild(t *testing.T, dir string, after time.Duration) (said uint64, done bool) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"="+dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	kill := time.AfterFunc(time.Hour, func() { cmd.Process.Kill() })
	defer kill.Stop()
	for in := bufio.NewScanner(out); in.Scan(); {
		if in.Text() == "done" {
			done = true
			kill.Reset(0)
			continue
		}
		if said == 0 {
			kill.Reset(after)
		}
		if said, err = strconv.ParseUint(in.Text(), 10, 64); err != nil {
			t.Errorf("the child says %q", in.Text())
		}
	}
	cmd.Wait() // it was killed
	return said, done
}
