package access

import (
	"bufio"
	"errors"
	"io"
)

// lines gives the lines of a file one by one, each of at most maxLine bytes.
type lines struct{ r *bufio.Reader }

func newLines(r io.Reader) lines { return lines{bufio.NewReaderSize(r, maxLine)} }

// next gives a line without its line feed, which holds until the next call, and its size with it. One that is too long is
// passed over and given as nil. Without a line feed it is none: io.EOF.
func (l lines) next() (line []byte, size int64, err error) {
	line, err = l.r.ReadSlice('\n')
	size = int64(len(line))
	for long := false; ; long = true {
		switch {
		case err == nil && long:
			return nil, size, nil
		case err == nil:
			return line[:len(line)-1], size, nil
		case !errors.Is(err, bufio.ErrBufferFull):
			return nil, 0, err
		}
		line, err = l.r.ReadSlice('\n')
		size += int64(len(line))
	}
}
