//go:build unix

package storm

import (
	"os/exec"
	"runtime"
	"syscall"
	"time"
)

// used is what this process has used.
func used() usage {
	var r syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &r) != nil {
		return usage{}
	}
	unit := int64(1 << 10)
	if runtime.GOOS == "darwin" {
		unit = 1
	}
	return usage{time.Duration(r.Utime.Nano()), time.Duration(r.Stime.Nano()), int64(r.Maxrss) * unit}
}

// apart puts a process into a group of its own: an interrupt at the terminal is then ours alone, and we end the others
// in their order.
func apart(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }
