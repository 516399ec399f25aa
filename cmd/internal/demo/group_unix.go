//go:build unix

package demo

import (
	"os/exec"
	"syscall"
)

// apart puts a process into a group of its own: an interrupt at the terminal is then ours alone, and we end the others
// in their order.
func apart(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }
