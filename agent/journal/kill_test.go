package journal

import (
	"bufio"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ullage/events"
)

var killsFlag = flag.Int("kills", 200, "how many processes to kill")

func childConfig(dir string) Config { return Config{Dir: dir, SegmentBytes: 32 << 10} }

// child opens the journal in dir and, in mode append, appends from several goroutines until it is killed, with a line for
// every record that is kept: its number and the hash of its bytes. In mode hold it holds the lock until its input ends.
func child(dir, mode string) int {
	j, _, err := Open(childConfig(dir))
	if err != nil {
		fmt.Println("error", err)
		return 1
	}
	if mode == "hold" {
		fmt.Println("held")
		_, _ = io.Copy(io.Discard, os.Stdin)
		if j.Close() != nil {
			return 1
		}
		return 0
	}
	salt := atomic.Int64{}
	salt.Store(time.Now().UnixNano() & 0xffffff)
	for g := range 4 {
		go func() {
			rng := rand.New(rand.NewPCG(uint64(g), uint64(salt.Load())))
			for {
				var lines []string
				_, err := j.Append(func(head events.Head) ([]Frame, error) {
					fs, _ := records(1+rng.IntN(3), int(salt.Add(1)), rng.IntN(600))(head)
					for i, f := range fs {
						lines = append(lines, fmt.Sprintf("kept %d %s\n", uint64(head.Seq)+uint64(i)+1, events.HashRecord(f.Payload)))
					}
					if rng.IntN(8) == 0 {
						fs = append(fs, sealFrame(g), receiptFrame(g))
					}
					return fs, nil
				})
				if err != nil {
					fmt.Println("error", err)
					os.Exit(1)
				}
				_, _ = os.Stdout.WriteString(strings.Join(lines, "")) // one write, so that no line is torn by the kill
			}
		}()
	}
	select {}
}

func startChild(t *testing.T, dir, mode string) (*exec.Cmd, io.WriteCloser, *bufio.Scanner) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childDir+"="+dir, childMode+"="+mode)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return cmd, in, bufio.NewScanner(out)
}

// A process is killed at a random moment, again and again. Each time every record that it said was kept is there, and
// the chain holds.
func TestKill(t *testing.T) {
	t.Parallel()
	kills := *killsFlag
	if testing.Short() {
		kills = min(kills, 20)
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 4))
	total, torn := 0, 0
	for kills > 0 {
		dir := t.TempDir()
		mustCreate(t, childConfig(dir))
		kept := map[events.Seq]string{}
		for range min(kills, 25) { // then a fresh one, so that reading all of it stays quick
			kills--
			n := killOne(t, dir, rng, kept)
			total += n
			if reopenKilled(t, dir, kept).CutBytes > 0 {
				torn++
			}
		}
	}
	t.Logf("%d records were kept, %d ends were torn", total, torn)
}

// killOne runs a child until some records are kept and a random moment has passed, and kills it.
func killOne(t *testing.T, dir string, rng *rand.Rand, kept map[events.Seq]string) (n int) {
	cmd, _, lines := startChild(t, dir, "append")
	wait := time.Duration(rng.IntN(15_000)) * time.Microsecond
	var once sync.Once
	for lines.Scan() {
		f := strings.Fields(lines.Text())
		if len(f) != 3 || f[0] != "kept" {
			t.Errorf("the child says %q", lines.Text())
			break
		}
		seq, err := strconv.ParseUint(f[1], 10, 64)
		if err != nil {
			t.Errorf("the child says %q", lines.Text())
			break
		}
		kept[events.Seq(seq)] = f[2]
		n++
		once.Do(func() { time.AfterFunc(wait, func() { _ = cmd.Process.Kill() }) })
	}
	_ = cmd.Process.Kill()
	_ = cmd.Wait()
	return n
}

func reopenKilled(t *testing.T, dir string, kept map[events.Seq]string) Report {
	t.Helper()
	j, report, err := Open(childConfig(dir))
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if len(report.Damage) > 0 {
		t.Fatalf("damage after a kill: %+v", report)
	}
	got, gaps, err := readAll(j)
	if err != nil || len(gaps) > 0 {
		t.Fatalf("after a kill: gaps %v, %v", gaps, err)
	}
	for seq, hash := range kept {
		if events.HashRecord([]byte(got[seq])).String() != hash {
			t.Fatalf("record %d was kept, and is lost; the head is %d", seq, j.Head().Seq)
		}
	}
	return report
}

// The lock is the system's: another process that holds it is named, and when it is killed nothing is left of it.
func TestLock(t *testing.T) {
	dir := t.TempDir()
	mustCreate(t, childConfig(dir))
	cmd, in, lines := startChild(t, dir, "hold")
	if !lines.Scan() || lines.Text() != "held" {
		t.Fatalf("the child says %q", lines.Text())
	}
	_, _, err := Open(childConfig(dir))
	var locked *LockedError
	if !errors.Is(err, ErrLocked) || !errors.As(err, &locked) || locked.PID != cmd.Process.Pid {
		t.Fatalf("while process %d holds it: %v", cmd.Process.Pid, err)
	}
	if err := Create(childConfig(dir), testDevice, testKey); !errors.Is(err, ErrLocked) {
		t.Fatalf("create while it is held: %v", err)
	}
	r, err := OpenRead(childConfig(dir))
	if err != nil {
		t.Fatalf("read while it is held: %v", err)
	}
	r.Close()
	if rep, err := Check(childConfig(dir), nil); err != nil || !rep.OK() {
		t.Fatalf("check while it is held: %+v, %v", rep, err)
	}
	_ = cmd.Process.Kill()
	_ = cmd.Wait()
	in.Close()
	j, _ := mustOpen(t, childConfig(dir))
	if _, _, err := Open(childConfig(dir)); !errors.Is(err, ErrLocked) {
		t.Fatalf("open twice in one process: %v", err)
	}
	mustClose(t, j)
}
