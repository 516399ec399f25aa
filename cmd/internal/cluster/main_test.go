package cluster

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"ullage/cmd/internal/syncdcli"
)

// as is the variable that says what the binary is started as: a message server, a centre, or the tests within a network of
// their own.
const (
	as        = "ULLAGE_CLUSTER_AS"
	asServer  = "server"
	asCentre  = "centre"
	asTests   = "tests in a network of their own"
	waitFirst = "ULLAGE_CLUSTER_WAIT" // commands to set up the network, which are run when a line has come
)

func TestMain(m *testing.M) {
	switch os.Getenv(as) {
	case asServer:
		os.Exit(serverMain())
	case asCentre:
		os.Exit(syncdcli.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
	case asTests:
		os.Exit(m.Run())
	}
	if code, ok := inOwnNetwork(); ok {
		os.Exit(code)
	}
	os.Exit(m.Run())
}

// serverMain is a message server in its folder, as nats-server -c nats.conf is.
func serverMain() int {
	if setUp := os.Getenv(waitFirst); setUp != "" {
		if _, err := bufio.NewReader(os.Stdin).ReadString('\n'); err != nil {
			return 3
		}
		if err := inTurn(setUp); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 3
		}
	}
	opts, err := server.ProcessConfigFile("nats.conf")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	opts.NoSigs = true
	s, err := server.NewServer(opts)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	s.ConfigureLogger()
	s.Start()
	s.WaitForShutdown()
	return 0
}

// inTurn runs commands, one a line.
func inTurn(commands string) error {
	for _, line := range strings.Split(strings.TrimSpace(commands), "\n") {
		words := strings.Fields(line)
		if out, err := exec.Command(words[0], words[1:]...).CombinedOutput(); err != nil {
			return fmt.Errorf("%s: %w: %s", line, err, out)
		}
	}
	return nil
}

// process is one that the test has started. It ends with the test.
type process struct {
	t    *testing.T
	cmd  *exec.Cmd
	out  string        // file of what it says
	gone chan struct{} // closed at its end
}

// start starts the binary as something else. change may change the command before.
func start(t *testing.T, what, dir, out string, args []string, change func(*exec.Cmd)) *process {
	t.Helper()
	p := &process{t: t, cmd: exec.Command(os.Args[0], args...), out: out, gone: make(chan struct{})}
	f, err := os.OpenFile(out, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	p.cmd.Dir, p.cmd.Stdout, p.cmd.Stderr = dir, f, f
	p.cmd.Env = append(os.Environ(), as+"="+what)
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if change != nil {
		change(p.cmd)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		_ = p.cmd.Wait() // how it ended is asked below
		close(p.gone)
	}()
	t.Cleanup(p.kill)
	return p
}

func (p *process) signal(s syscall.Signal) {
	p.t.Helper()
	if err := p.cmd.Process.Signal(s); err != nil && !errors.Is(err, os.ErrProcessDone) {
		p.t.Errorf("signal %v: %v", s, err)
	}
}

func (p *process) kill() {
	_ = p.cmd.Process.Kill() // it may be gone
	<-p.gone
}

func (p *process) runs() bool {
	select {
	case <-p.gone:
		return false
	default:
		return true
	}
}

// said is the end of what it said.
func (p *process) said() string {
	b, err := os.ReadFile(p.out)
	if err != nil {
		return err.Error()
	}
	return string(b[max(0, len(b)-4000):])
}

// eventually waits until something is so.
func eventually(t *testing.T, what string, most time.Duration, so func() bool) {
	t.Helper()
	for end := time.Now().Add(most); !so(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("after %v it is not so: %s", most, what)
		}
	}
}

func read(t *testing.T, parts ...string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(parts...))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
