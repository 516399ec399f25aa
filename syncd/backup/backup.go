// Package backup writes all that a centre cannot make again into one file, and makes a centre of it once more: keys, the
// office's journal and evidence, the public log, and the messages of the streams. The read model is not in it.
//
// A backup is whole or it is none: its last frame holds the hash of all before it, and whoever reads it looks at that
// first. FORMAT.md tells the file.
package backup

import (
	"bufio"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

const (
	magic     = "ullage.backup.1\n"
	frameHead = 9       // length, sum, type
	maxFrame  = 4 << 20 // bytes of a payload
	chunk     = 1 << 20 // bytes of a file in one frame

	kindFile    byte = 1 // a file begins: its path
	kindBytes   byte = 2 // more of it
	kindMessage byte = 3 // a message of a stream
	kindEnd     byte = 4 // the hash of all before, then Contents as JSON
)

// Errors.
var (
	ErrForm   = errors.New("not a whole backup")
	ErrTarget = errors.New("the folder is not empty")
)

// Contents is what a backup says that it has.
type Contents struct {
	Made     string            `json:"made"`     // RFC 3339
	Files    int               `json:"files"`    // number of files
	Messages map[string]uint64 `json:"messages"` // number of messages of each stream
	Log      uint64            `json:"log"`      // leaves of the public log that it has at least
}

// Message is a message of a stream.
type Message struct {
	Stream, Subject string
	Data            []byte
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Writer writes a backup. After an error it is of no use.
type Writer struct {
	to   *bufio.Writer
	sum  hash.Hash
	has  Contents
	err  error
	head [frameHead]byte
}

// NewWriter begins a backup.
func NewWriter(to io.Writer) *Writer {
	w := &Writer{to: bufio.NewWriterSize(to, 256<<10), sum: sha256.New(), has: Contents{Messages: map[string]uint64{}}}
	w.write([]byte(magic))
	return w
}

func (w *Writer) write(b []byte) {
	if w.err == nil {
		w.sum.Write(b)
		_, w.err = w.to.Write(b)
	}
}

func (w *Writer) frame(kind byte, payload []byte) {
	if w.err == nil && len(payload) > maxFrame {
		w.err = fmt.Errorf("a piece of %d bytes, at most %d are possible", len(payload), maxFrame)
	}
	binary.LittleEndian.PutUint32(w.head[:], uint32(len(payload)))
	w.head[8] = kind
	binary.LittleEndian.PutUint32(w.head[4:], crc32.Update(crc32.Checksum(w.head[8:], castagnoli), castagnoli, payload))
	w.write(w.head[:])
	w.write(payload)
}

// Files adds the regular files under a folder, by their paths from root. skip leaves out what it says yes to, folders whole.
func (w *Writer) Files(root, folder string, skip func(path string) bool) error {
	err := filepath.WalkDir(filepath.Join(root, folder), func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		if rel != "." && skip(filepath.ToSlash(rel)) {
			if d.IsDir() {
				return filepath.SkipDir
			}
			return nil
		}
		if d.Type().IsRegular() {
			return w.file(path, filepath.ToSlash(rel))
		}
		return nil
	})
	if err == nil {
		err = w.err
	}
	if err != nil {
		return fmt.Errorf("back up %s: %w", filepath.Join(root, folder), err)
	}
	return nil
}

func (w *Writer) file(path, name string) error {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) { // it was replaced or removed meanwhile
		return nil
	}
	if err != nil {
		return err
	}
	defer f.Close()
	w.frame(kindFile, []byte(name))
	w.has.Files++
	b := make([]byte, chunk)
	for {
		n, err := io.ReadFull(f, b)
		if n > 0 {
			w.frame(kindBytes, b[:n])
		}
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return w.err
		}
		if err != nil {
			return err
		}
	}
}

// Message adds a message; those of a stream come in their order.
func (w *Writer) Message(m Message) error {
	b := binary.AppendUvarint(nil, uint64(len(m.Stream)))
	b = append(b, m.Stream...)
	b = binary.AppendUvarint(b, uint64(len(m.Subject)))
	b = append(append(b, m.Subject...), m.Data...)
	w.frame(kindMessage, b)
	w.has.Messages[m.Stream]++
	return w.err
}

// Close ends the backup; only then it is one. What it has is returned.
func (w *Writer) Close(made string, log uint64) (Contents, error) {
	w.has.Made, w.has.Log = made, log
	text, err := json.Marshal(w.has)
	if err != nil {
		return w.has, err
	}
	w.frame(kindEnd, append(w.sum.Sum(nil), text...))
	if w.err == nil {
		w.err = w.to.Flush()
	}
	return w.has, w.err
}

// Visitor takes what a backup has, in its order.
type Visitor struct {
	File    func(path string) (io.WriteCloser, error) // a file begins; it is closed at its end
	Message func(Message) error
}

// Read reads a backup through, and hands on what is in it. Nothing of it should be trusted before Read has returned without an
// error: that comes when something is missing or changed at its end. Its error wraps ErrForm, and names the place.
func Read(from io.Reader, v Visitor) (has Contents, err error) {
	in, sum, at := bufio.NewReaderSize(from, 256<<10), sha256.New(), int64(0)
	bad := func(format string, a ...any) (Contents, error) {
		return Contents{}, fmt.Errorf("%w: at byte %d: %s", ErrForm, at, fmt.Sprintf(format, a...))
	}
	take := func(b []byte) error {
		_, err := io.ReadFull(in, b)
		return err
	}
	begin := make([]byte, len(magic))
	if err := take(begin); err != nil || string(begin) != magic {
		return bad("it does not begin as one")
	}
	sum.Write(begin)
	at = int64(len(begin))
	seen := Contents{Messages: map[string]uint64{}}
	var file io.WriteCloser
	shut := func() error {
		if file == nil {
			return nil
		}
		f := file
		file = nil
		return f.Close()
	}
	defer func() { err = errors.Join(err, shut()) }()
	for {
		var head [frameHead]byte
		if err := take(head[:]); err != nil {
			return bad("it ends in the midst")
		}
		n := binary.LittleEndian.Uint32(head[:])
		if n > maxFrame {
			return bad("a piece of %d bytes, at most %d are possible", n, maxFrame)
		}
		payload := make([]byte, n)
		if err := take(payload); err != nil {
			return bad("it ends in the midst")
		}
		if crc32.Update(crc32.Checksum(head[8:], castagnoli), castagnoli, payload) != binary.LittleEndian.Uint32(head[4:]) {
			return bad("a piece is not as it was written")
		}
		switch kind := head[8]; kind {
		case kindFile:
			path := string(payload)
			if err := shut(); err != nil {
				return Contents{}, err
			}
			if !filepath.IsLocal(filepath.FromSlash(path)) || strings.Contains(path, "\\") || path == "." {
				return bad("a file with the path %.100q", path)
			}
			seen.Files++
			if v.File != nil {
				if file, err = v.File(path); err != nil {
					return Contents{}, err
				}
			}
		case kindBytes:
			if seen.Files == 0 {
				return bad("bytes of no file")
			}
			if file != nil {
				if _, err := file.Write(payload); err != nil {
					return Contents{}, err
				}
			}
		case kindMessage:
			if err := shut(); err != nil {
				return Contents{}, err
			}
			m, ok := parseMessage(payload)
			if !ok {
				return bad("a message that is not in form")
			}
			seen.Messages[m.Stream]++
			if v.Message != nil {
				if err := v.Message(m); err != nil {
					return Contents{}, err
				}
			}
		case kindEnd:
			if len(payload) < sha256.Size || string(payload[:sha256.Size]) != string(sum.Sum(nil)) {
				return bad("it is not as it was written: its hash is another")
			}
			if err := json.Unmarshal(payload[sha256.Size:], &has); err != nil {
				return bad("what it says of itself: %v", err)
			}
			if _, err := in.ReadByte(); !errors.Is(err, io.EOF) {
				return bad("it goes on behind its end")
			}
			seen.Made, seen.Log = has.Made, has.Log
			if fmt.Sprint(seen) != fmt.Sprint(has) {
				return bad("it has %+v, and says that it has %+v", seen, has)
			}
			return has, nil
		default:
			return bad("a piece of the kind %d, which this version does not know", kind)
		}
		sum.Write(head[:])
		sum.Write(payload)
		at += frameHead + int64(n)
	}
}

func parseMessage(b []byte) (m Message, ok bool) {
	for _, text := range []*string{&m.Stream, &m.Subject} {
		n, w := binary.Uvarint(b)
		if w <= 0 || n == 0 || n > uint64(len(b)-w) {
			return m, false
		}
		*text, b = string(b[w:w+int(n)]), b[w+int(n):]
	}
	m.Data = b
	return m, true
}

// Folder takes the files of a backup into a folder, which it makes. Each is on the disk when it is closed.
func Folder(root string) func(path string) (io.WriteCloser, error) {
	return func(path string) (io.WriteCloser, error) {
		full := filepath.Join(root, filepath.FromSlash(path))
		if err := os.MkdirAll(filepath.Dir(full), 0o700); err != nil {
			return nil, err
		}
		f, err := os.OpenFile(full, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
		if err != nil {
			return nil, err
		}
		return synced{f}, nil
	}
}

type synced struct{ *os.File }

func (s synced) Close() error { return errors.Join(s.File.Sync(), s.File.Close()) }
