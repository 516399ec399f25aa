package disk

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// MaxOwn bounds the files that Each reads, in bytes.
const MaxOwn = 64 << 10

// Each reads the files of a folder of ours, each with its name without the ending that all of them have.
func Each(dir, ending string, read func(name string, content []byte) error) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		path := filepath.Join(dir, e.Name())
		name, ok := strings.CutSuffix(e.Name(), ending)
		if !ok {
			return fmt.Errorf("%s: it does not belong here", path)
		}
		content, err := readOwn(path)
		if err == nil {
			err = read(name, content)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
	}
	return nil
}

func readOwn(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	content, err := io.ReadAll(io.LimitReader(f, MaxOwn+1))
	if err == nil && len(content) > MaxOwn {
		err = fmt.Errorf("it has more than %d bytes", MaxOwn)
	}
	return content, err
}

// Decode reads a file of ours in JSON: the fields that to has and no other, nothing behind its end, and the version that
// is known. version points to where that comes to stand in to.
func Decode(content []byte, to any, version *int, known int) error {
	d := json.NewDecoder(bytes.NewReader(content))
	d.DisallowUnknownFields()
	if err := d.Decode(to); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("there is something behind its end")
	}
	if *version != known {
		return fmt.Errorf("version %d is not known here", *version)
	}
	return nil
}
