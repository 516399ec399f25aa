package entry

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"

	"ullage/events"
)

// Record records lines, all or none, and answers each in turn; blank lines have no answer. When it returns without
// error, the records are in the journal. An error about a line is a *LineError, and then nothing was written.
func (w *Writer) Record(lines io.Reader) ([]Answer, error) {
	if err := w.check(); err != nil {
		return nil, err
	}
	// Reading may take as long as a person types; nobody else waits for that.
	texts, err := readAll(lines, MaxLines, MaxInput)
	if err != nil {
		return nil, err
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	s := w.NewSession()
	s.begin()
	for i := range texts {
		if err := s.add(texts[i].n, texts[i].text); err != nil {
			return nil, lineError(texts[i].n, err)
		}
		texts[i].text = nil
	}
	return s.commit()
}

// Stream records line by line: each is in the journal before out gets its answer. A bad line is told to bad, and the
// lines after it are taken all the same; how many were bad is returned. It ends with the input, or with the first error
// of the input, the journal, out or bad.
func (w *Writer) Stream(in io.Reader, out func(Answer) error, bad func(*LineError) error) (int, error) {
	if err := w.check(); err != nil {
		return 0, err
	}
	s := w.NewSession()
	lines := newLineReader(in)
	count := 0
	for {
		l, err := lines.next()
		if err == io.EOF {
			return count, nil
		}
		var a Answer
		if err == nil {
			a, err = s.Line(l.n, l.text)
		}
		var wrong *LineError
		switch {
		case errors.As(err, &wrong):
			count++
			err = bad(wrong)
		case err == nil:
			err = out(a)
		}
		if err != nil {
			return count, err
		}
	}
}

// numbered is a line that is not blank.
type numbered struct {
	n    int
	text []byte
}

// readAll reads lines of a bounded number and size.
func readAll(r io.Reader, most, mostBytes int) ([]numbered, error) {
	lines := newLineReader(r)
	var all []numbered
	size := 0
	for {
		l, err := lines.next()
		if err == io.EOF {
			return all, nil
		}
		if err != nil {
			return nil, err
		}
		if size += len(l.text); size > mostBytes || len(all) == most {
			return nil, &LineError{Line: l.n, Want: fmt.Sprintf("one call takes at most %d lines and %d bytes; give the rest in another", most, mostBytes)}
		}
		all = append(all, l)
	}
}

// lineReader reads lines of bounded size and counts them.
type lineReader struct {
	r *bufio.Reader
	n int
}

func newLineReader(r io.Reader) *lineReader { return &lineReader{r: bufio.NewReaderSize(r, 64<<10)} }

// next reads the next line that is not blank, without its end. Errors: io.EOF; a *LineError for a line that is too
// long, after which it can go on; what the reader returned, wrapped.
func (l *lineReader) next() (numbered, error) {
	for {
		l.n++
		text, long, err := l.read()
		if err != nil && err != io.EOF {
			return numbered{}, fmt.Errorf("read line %d: %w", l.n, err)
		}
		if long {
			return numbered{}, &LineError{Line: l.n, Want: fmt.Sprintf("a line may have at most %d bytes", MaxLine)}
		}
		if l.n == 1 {
			text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf")) // some editors put a mark there
		}
		if len(bytes.Trim(text, " \t\r\n")) > 0 {
			return numbered{l.n, text}, nil
		}
		if err == io.EOF {
			return numbered{}, io.EOF
		}
	}
}

// read reads up to the end of the line; of one that is too long it keeps nothing.
func (l *lineReader) read() (text []byte, long bool, err error) {
	for {
		part, err := l.r.ReadSlice('\n')
		if len(text)+len(part) > MaxLine+1 {
			text, long = nil, true
		}
		if !long {
			text = append(text, part...)
		}
		if err != bufio.ErrBufferFull {
			text = bytes.TrimSuffix(text, []byte("\n"))
			return text, long || len(text) > MaxLine, err
		}
	}
}

// steppedBody is the body of the clock.checked that tells of a clock put back.
func steppedBody(stepped events.Millis) ([]byte, error) {
	s, ok := events.SchemaOf("clock.checked", 1)
	if !ok {
		return nil, fmt.Errorf("tell of a clock put back: %w", events.ErrUnknownKind)
	}
	n := node{is: isObject, names: []string{"stepped_ms"}, values: []node{{is: isNumber, text: fmt.Sprint(int64(stepped))}}}
	var e encoder
	if err := e.body(s, &n); err != nil {
		return nil, fmt.Errorf("tell of a clock put back: %w", err)
	}
	return e.t.fill(false, nil), nil
}
