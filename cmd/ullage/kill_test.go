package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"ullage/agent"
	"ullage/cmd/internal/demo"
	"ullage/cmd/internal/officecli"
)

// kills is how often the centre is killed.
const kills = 50

// centre is a centre in a process of its own.
type centre struct {
	t   *testing.T
	dir string
	cmd *exec.Cmd
}

func (c *centre) start() {
	c.t.Helper()
	os.Remove(filepath.Join(c.dir, "centre.json")) // what a killed one left
	c.cmd = exec.Command(os.Args[0], "serve", "--dir", c.dir)
	c.cmd.Env = append(os.Environ(), demo.AsVariable+"=syncd")
	log, err := os.OpenFile(filepath.Join(c.t.ArtifactDir(), "centre.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		c.t.Fatal(err)
	}
	defer log.Close()
	c.cmd.Stdout, c.cmd.Stderr = log, log
	if _, err := c.cmd.StdinPipe(); err != nil { // open as long as we live, so that it does not outlive us
		c.t.Fatal(err)
	}
	if err := c.cmd.Start(); err != nil {
		c.t.Fatal(err)
	}
	for end := time.Now().Add(60 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		if _, err := os.Stat(filepath.Join(c.dir, "centre.json")); err == nil {
			return
		}
		if time.Now().After(end) {
			words, _ := os.ReadFile(log.Name())
			c.t.Fatalf("the centre is not ready after a minute:\n%s", words)
		}
	}
}

func (c *centre) kill() {
	c.t.Helper()
	if err := c.cmd.Process.Kill(); err != nil {
		c.t.Fatal(err)
	}
	c.cmd.Wait() // it was killed: that is its error
}

// office runs a command of the office.
func (c *centre) office(args ...string) []byte {
	c.t.Helper()
	var out, words bytes.Buffer
	if code := officecli.Main(append(args, "--dir", c.dir), strings.NewReader(""), &out, &words); code != 0 {
		c.t.Fatalf("ullage %s: exit status %d: %s", strings.Join(args, " "), code, words.String())
	}
	return out.Bytes()
}

// lossTeller fails the test when a device finds that the centre has lost what it gave a receipt for. The device would
// send such records again, so that counting them afterwards shows nothing.
type lossTeller struct {
	slog.Handler
	t *testing.T
}

func (l lossTeller) Handle(_ context.Context, r slog.Record) error {
	if strings.Contains(r.Message, "has lost records") {
		l.t.Errorf("a device says: %s", r.Message)
	}
	return nil
}

func (l lossTeller) Enabled(context.Context, slog.Level) bool { return true }

// TestCentreKilled kills the centre 50 times while three devices push, at random moments, many of which lie in the
// middle of a commit. Afterwards every record of every device is there once, and the centre never came back without a
// record that it had given a receipt for.
func TestCentreKilled(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	c := &centre{t: t, dir: filepath.Join(t.TempDir(), "centre")}
	c.start()
	ctx := context.Background()
	const devices = 3
	var all [devices]*agent.Device
	for i := range all {
		name := fmt.Sprintf("tab-%d", i+1)
		var code struct{ Code string }
		if err := json.Unmarshal(c.office("enrol", name, "--json"), &code); err != nil {
			t.Fatal(err)
		}
		dir := filepath.Join(t.TempDir(), name)
		if _, err := agent.Enrol(ctx, dir, "", code.Code, agent.Config{}); err != nil {
			t.Fatal(err)
		}
		d, err := agent.Open(ctx, dir, agent.Config{Answer: 300 * time.Millisecond, Log: slog.New(lossTeller{slog.DiscardHandler, t})})
		if err != nil {
			t.Fatal(err)
		}
		defer d.Close()
		all[i] = d
	}

	quit := make(chan struct{})
	var work sync.WaitGroup
	for i, d := range all {
		work.Add(1)
		go func() {
			defer work.Done()
			for n := 0; ; n++ {
				select {
				case <-quit:
					return
				default:
				}
				var lines strings.Builder
				for k := range 5 {
					fmt.Fprintf(&lines, `{"kind":"note.written","site":"s-1","machine":"m-%d","by":"T1","body":{"text":"note %d of round %d"}}`+"\n", i+1, k, n)
				}
				if _, err := d.Record(ctx, strings.NewReader(lines.String())); err != nil {
					t.Errorf("tab-%d: record: %v", i+1, err)
					return
				}
				once, cancel := context.WithTimeout(ctx, 500*time.Millisecond)
				d.Sync(once, nil) // mostly an error: the centre is away
				cancel()
			}
		}()
	}
	for range kills {
		time.Sleep(time.Duration(50+random.IntN(250)) * time.Millisecond)
		c.kill()
		c.start()
	}
	close(quit)
	work.Wait()

	want := 0
	for i, d := range all {
		if _, err := d.Sync(ctx, nil); err != nil {
			t.Errorf("tab-%d: the last sync: %v", i+1, err)
		}
		s, err := d.Status()
		if err != nil {
			t.Fatal(err)
		}
		if s.Waiting != 0 || len(s.Alarms) > 0 {
			t.Errorf("tab-%d: %d records wait, alarms %v", i+1, s.Waiting, s.Alarms)
		}
		want += int(s.Records)
	}
	var audit struct {
		Records []struct{ ID, Device string }
	}
	if err := json.Unmarshal(c.office("audit", "--json"), &audit); err != nil {
		t.Fatal(err)
	}
	ids := map[string]bool{}
	got := 0
	for _, r := range audit.Records {
		if !strings.HasPrefix(r.Device, "tab-") {
			continue
		}
		if ids[r.ID] {
			t.Errorf("record %s is doubled", r.ID)
		}
		ids[r.ID] = true
		got++
	}
	if got != want {
		t.Errorf("the centre holds %d records of the devices, they hold %d", got, want)
	}
	t.Logf("%d records of %d devices through %d kills", got, devices, kills)
	c.kill()
}
