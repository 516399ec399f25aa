package command

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// noTerminal ends a test that needs one; what must hold before a change lands does not do without.
func noTerminal(t *testing.T, err error) {
	t.Helper()
	if os.Getenv("ULLAGE_CI") != "" {
		t.Fatal("this system gives no terminals: ", err)
	}
	t.Skip("SKIPPED: this system gives no terminals: ", err)
}

// terminal makes a terminal: what is written to the hand is typed at the screen.
func terminal(t *testing.T) (hand, screen *os.File) {
	t.Helper()
	hand, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		noTerminal(t, err)
	}
	t.Cleanup(func() { hand.Close() })
	if err := unix.IoctlSetPointerInt(int(hand.Fd()), unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(int(hand.Fd()), unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	screen, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		noTerminal(t, err)
	}
	t.Cleanup(func() { screen.Close() })
	return hand, screen
}

// asks types when it is asked.
type asks struct {
	bytes.Buffer
	do func()
}

func (a *asks) Write(p []byte) (int, error) {
	if strings.Contains(string(p), "Password") {
		a.do()
	}
	return a.Buffer.Write(p)
}

// TestSecret types a password at a terminal: it is read, and not shown; then the terminal shows what is typed again.
func TestSecret(t *testing.T) {
	hand, screen := terminal(t)
	typed := &asks{do: func() {
		if _, err := hand.WriteString("five small sheds\n"); err != nil {
			t.Error(err)
		}
	}}
	got, err := Secret(t.Context(), screen, typed, "Password: ")
	if err != nil || string(got) != "five small sheds" || typed.String() != "Password: \n" {
		t.Errorf("%q %v; said %q", got, err, typed.String())
	}
	if _, err := screen.WriteString("done."); err != nil {
		t.Fatal(err)
	}
	shown := make([]byte, 100)
	n, err := hand.Read(shown)
	if err != nil || string(shown[:n]) != "done." {
		t.Errorf("the terminal shows %q %v", shown[:n], err)
	}
	mode, err := unix.IoctlGetTermios(int(screen.Fd()), getTermios)
	if err != nil || mode.Lflag&unix.ECHO == 0 {
		t.Errorf("the terminal was left dumb: %v", err)
	}

	ctx, cancel := context.WithCancel(t.Context())
	if _, err := Secret(ctx, screen, &asks{do: cancel}, "Password: "); !errors.Is(err, context.Canceled) {
		t.Errorf("given up: %v", err)
	}
	if mode, err = unix.IoctlGetTermios(int(screen.Fd()), getTermios); err != nil || mode.Lflag&unix.ECHO == 0 {
		t.Errorf("the terminal was left dumb: %v", err)
	}
	if _, err := hand.WriteString("\n"); err != nil { // lets go of the one that still reads
		t.Fatal(err)
	}

	file, err := os.Open(os.DevNull)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	if _, err := Secret(t.Context(), file, typed, "Password: "); !errors.Is(err, ErrNoTerminal) {
		t.Errorf("no terminal: %v", err)
	}
	if _, err := Secret(t.Context(), strings.NewReader("x\n"), typed, "Password: "); !errors.Is(err, ErrNoTerminal) {
		t.Errorf("no file: %v", err)
	}
}
