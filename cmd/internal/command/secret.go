package command

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
)

const maxSecret = 4 << 10 // bytes of a line that is asked for, or of a file

// ErrNoTerminal says that there is nobody who could be asked.
var ErrNoTerminal = errors.New("not at a terminal")

// Secret asks for a line at a terminal, which does not show what is typed. Where in is none, its error is ErrNoTerminal.
func Secret(ctx context.Context, in io.Reader, words io.Writer, prompt string) (secret []byte, err error) {
	f, ok := in.(*os.File)
	if !ok {
		return nil, ErrNoTerminal
	}
	show, err := hide(f)
	if err != nil {
		return nil, ErrNoTerminal
	}
	defer func() {
		fmt.Fprintln(words)
		err = errors.Join(err, show())
	}()
	fmt.Fprint(words, prompt)
	type line struct {
		b   []byte
		err error
	}
	read := make(chan line, 1)
	go func() { // it ends with the program, if nobody types any more
		b, err := readLine(f)
		read <- line{b, err}
	}()
	select {
	case l := <-read:
		return l.b, l.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// readLine reads byte by byte, so that it takes nothing of the next line.
func readLine(r io.Reader) ([]byte, error) {
	var line []byte
	var b [1]byte
	for len(line) <= maxSecret {
		n, err := r.Read(b[:])
		if n == 1 && b[0] == '\n' {
			return bytes.TrimSuffix(line, []byte("\r")), nil
		}
		line = append(line, b[:n]...)
		if err != nil {
			return nil, fmt.Errorf("nothing was typed: %w", err)
		}
	}
	return nil, fmt.Errorf("the line has more than %d bytes", maxSecret)
}

// SecretFile reads the one line of a file, or of in where it is named "-".
func SecretFile(path string, in io.Reader) ([]byte, error) {
	f, err := Input([]string{path}, in)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxSecret+1))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", path, err)
	}
	b = bytes.TrimSuffix(bytes.TrimSuffix(b, []byte("\n")), []byte("\r"))
	if len(b) == 0 || len(b) >= maxSecret || bytes.ContainsAny(b, "\r\n") {
		return nil, fmt.Errorf("%s does not hold one line", path)
	}
	return b, nil
}
