package cluster

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"sync/atomic"
	"syscall"
	"testing"

	"ullage/syncd/port"
)

// The network of the tests: a bridge, to which each message server has a cable.
const (
	bridge  = "ullage0"
	gateway = "10.77.0.1"
)

// inOwnNetwork runs the tests again in namespaces of their own, of network and of mounts, where the system allows that.
func inOwnNetwork() (code int, ok bool) {
	if os.Getuid() != 0 {
		return 0, false
	}
	if _, err := exec.LookPath("ip"); err != nil {
		return 0, false
	}
	runtime.LockOSThread() // the child ends with this thread
	cmd := exec.Command(os.Args[0], os.Args[1:]...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = os.Stdin, os.Stdout, os.Stderr
	cmd.Env = append(os.Environ(), as+"="+asTests)
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNET | syscall.CLONE_NEWNS, Pdeathsig: syscall.SIGKILL}
	err := cmd.Start()
	if err != nil {
		return 0, false // not allowed here
	}
	err = cmd.Wait()
	if exit := (*exec.ExitError)(nil); errors.As(err, &exit) {
		return exit.ExitCode(), true
	}
	return 0, err == nil
}

// network is where servers stand.
type network struct {
	t     *testing.T
	own   bool // each server has a namespace of its own
	ports [][2]int
	plugs []string // our end of each server's cable
}

// made counts cables. The system takes one away some time after the server at its end has died: so none gets the name of
// one before, of another test either.
var made atomic.Int32

func newNetwork(t *testing.T, servers int) *network {
	t.Helper()
	n := &network{t: t, plugs: make([]string, servers)}
	if os.Getenv(as) == asTests {
		err := inTurn("mount --make-rprivate /\nip link set lo up")
		if err == nil && exec.Command("ip", "link", "show", bridge).Run() != nil {
			err = inTurn(fmt.Sprintf("ip link add %s type bridge\nip addr add %s/24 dev %s\nip link set %s up", bridge, gateway, bridge, bridge))
		}
		if n.own = err == nil; !n.own {
			t.Logf("!!! the network cannot be set up: %v", err)
		}
	}
	if !n.own {
		t.Log("!!! no network namespaces here: the servers stand on loopback, and no cable is pulled")
		for range servers {
			var p [2]int
			for i := range p {
				var err error
				if p[i], err = port.Free("127.0.0.1"); err != nil {
					t.Fatal(err)
				}
			}
			n.ports = append(n.ports, p)
		}
	}
	return n
}

// server is how nats-config is told of a server.
func (n *network) server(i int) string {
	if n.own {
		return fmt.Sprintf("%c=10.77.0.%d", 'a'+i, 11+i)
	}
	return fmt.Sprintf("%c=127.0.0.1:%d:%d", 'a'+i, n.ports[i][0], n.ports[i][1])
}

func (n *network) url(i int) string {
	if n.own {
		return fmt.Sprintf("tls://10.77.0.%d:4222", 11+i)
	}
	return fmt.Sprintf("tls://127.0.0.1:%d", n.ports[i][0])
}

// start starts a server in its folder.
func (n *network) start(i int, dir, out string) *process {
	n.t.Helper()
	if !n.own {
		return start(n.t, asServer, dir, out, nil, nil)
	}
	r, w, err := os.Pipe()
	if err != nil {
		n.t.Fatal(err)
	}
	defer r.Close()
	defer w.Close()
	p := start(n.t, asServer, dir, out, nil, func(c *exec.Cmd) {
		c.Stdin = r
		c.SysProcAttr.Cloneflags = syscall.CLONE_NEWNET
		c.Env = append(c.Env, waitFirst+"="+fmt.Sprintf("ip link set lo up\nip addr add 10.77.0.%d/24 dev eth0\nip link set eth0 up", 11+i))
	})
	n.plugs[i] = fmt.Sprintf("u%d-%d", made.Add(1), i)
	if err := inTurn(fmt.Sprintf("ip link add %s type veth peer name eth0 netns %d\nip link set %s master %s\nip link set %s up",
		n.plugs[i], p.cmd.Process.Pid, n.plugs[i], bridge, n.plugs[i])); err != nil {
		n.t.Fatal(err)
	}
	if _, err := w.WriteString("go\n"); err != nil {
		n.t.Fatal(err)
	}
	return p
}

// pull pulls a server's cable, or puts it back.
func (n *network) pull(i int, out bool) {
	n.t.Helper()
	state := "up"
	if out {
		state = "down"
	}
	if err := inTurn("ip link set " + n.plugs[i] + " " + state); err != nil {
		n.t.Fatal(err)
	}
}

// apart keeps all servers from each other, while clients reach each of them; or lets them find together again.
func (n *network) apart(yes bool) {
	n.t.Helper()
	state := "off"
	if yes {
		state = "on"
	}
	for _, plug := range n.plugs {
		if err := inTurn("ip link set dev " + plug + " type bridge_slave isolated " + state); err != nil {
			n.t.Fatal(err)
		}
	}
}
