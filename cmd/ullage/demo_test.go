//go:build unix

package main

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"ullage/cmd/internal/demo"
)

// runDemo starts a demo as a process of its own, and returns it once its centre runs, with the centre's process. It is
// held still; SIGCONT lets it go on.
func runDemo(t *testing.T, args ...string) (cmd *exec.Cmd, dir string, centre int, out *bytes.Buffer) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "d")
	cmd = exec.Command(os.Args[0], append([]string{"demo", "--dir", dir}, args...)...)
	cmd.Env = append(os.Environ(), demo.AsVariable+"=demo")
	out = &bytes.Buffer{}
	cmd.Stdout, cmd.Stderr = out, out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		if t.Failed() {
			t.Logf("the demo said:\n%s", out)
		}
	})
	eventually(t, "the centre runs", func() bool {
		if _, err := os.Stat(filepath.Join(dir, "tab-1", "device.json")); err != nil {
			return false
		}
		// Held still, so that the centre of now is the one that the caller gets.
		cmd.Process.Signal(syscall.SIGSTOP)
		b, err := os.ReadFile(filepath.Join(dir, "centre", "keys", "lock")) // holds the number of the process
		if err == nil {
			centre, err = strconv.Atoi(strings.TrimSpace(string(b)))
		}
		if err == nil && alive(centre) {
			return true
		}
		cmd.Process.Signal(syscall.SIGCONT)
		return false
	})
	t.Cleanup(func() { syscall.Kill(centre, syscall.SIGKILL) })
	return cmd, dir, centre, out
}

func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for end := time.Now().Add(time.Minute); !is(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("after a minute it is not so that %s", what)
		}
	}
}

func alive(pid int) bool { return !errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) }

// TestDemoLeavesNobody ends a demo in its middle in every way: no process of it stays.
func TestDemoLeavesNobody(t *testing.T) {
	for name, x := range map[string]struct {
		end   func(demo *os.Process, centre int) error
		words string // of the demo
	}{
		"it is told to end":    {func(d *os.Process, _ int) error { return d.Signal(os.Interrupt) }, "ullage: interrupted\n"},
		"it is killed":         {func(d *os.Process, _ int) error { return d.Kill() }, ""},
		"its centre is killed": {func(_ *os.Process, c int) error { return syscall.Kill(c, syscall.SIGKILL) }, "the centre: it ended (signal: killed)"},
	} {
		t.Run(name, func(t *testing.T) {
			cmd, _, centre, out := runDemo(t, "--headless")
			if err := x.end(cmd.Process, centre); err != nil {
				t.Fatal(err)
			}
			cmd.Process.Signal(syscall.SIGCONT)
			if err := cmd.Wait(); err == nil {
				t.Fatalf("it ended well:\n%s", out)
			}
			if !strings.Contains(out.String(), x.words) {
				t.Errorf("%q is not in\n%s", x.words, out)
			}
			eventually(t, "the centre is gone", func() bool { return !alive(centre) })
		})
	}
}

// TestDemoServes lets the demo show its pages, and end well when it is told to.
func TestDemoServes(t *testing.T) {
	cmd, dir, _, out := runDemo(t)
	cmd.Process.Signal(syscall.SIGCONT)
	eventually(t, "a device's page is served", func() bool {
		_, err := os.Stat(filepath.Join(dir, "tab-1", "agent.json"))
		return err == nil
	})
	time.Sleep(200 * time.Millisecond)
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	if b, err := os.ReadFile(filepath.Join(dir, "centre", "keys", "lock")); err != nil {
		t.Error(err)
	} else if centre, err := strconv.Atoi(strings.TrimSpace(string(b))); err != nil || alive(centre) {
		t.Errorf("the centre is there: %d %v", centre, err)
	}
	for _, path := range []string{"tab-1/agent.json", "centre/centre.json"} {
		if _, err := os.Stat(filepath.Join(dir, path)); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s: %v", path, err)
		}
	}
	for _, want := range []string{"/in?ticket=", "device tab-1  http://127.0.0.1:", "Ctrl-C ends the demo."} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
}
