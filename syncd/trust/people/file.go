package people

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

const (
	fileVersion = 1
	fileEnd     = ".json"
	maxFile     = 64 << 10
)

func (b *Book) path(dir, name string) string { return filepath.Join(b.dir(dir), folded(name)+fileEnd) }

// eachFile hands on the name and the content of every file of a folder of ours.
func eachFile(dir string, read func(name string, content []byte) error) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		path := filepath.Join(dir, e.Name())
		name, ok := strings.CutSuffix(e.Name(), fileEnd)
		if !ok {
			return fmt.Errorf("%s: it does not belong here", path)
		}
		content, err := readFile(path)
		if err != nil {
			return err
		}
		if err := read(name, content); err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
	}
	return nil
}

func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	content, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return nil, err
	}
	if len(content) > maxFile {
		return nil, fmt.Errorf("%s: it has more than %d bytes", path, maxFile)
	}
	return content, nil
}

// decodeFile reads one of our own files: known fields, the known version, and nothing behind it.
func decodeFile(content []byte, to any, version *int) error {
	d := json.NewDecoder(bytes.NewReader(content))
	d.DisallowUnknownFields()
	if err := d.Decode(to); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("there is something behind its end")
	}
	if *version != fileVersion {
		return fmt.Errorf("version %d is not known here", *version)
	}
	return nil
}

// fits checks what a file says of a name and a role.
func fits(name, file string, role Role) error {
	if err := checkName(name); err != nil {
		return err
	}
	if folded(name) != file {
		return fmt.Errorf("it is that of %q", name)
	}
	if role == 0 {
		return errors.New("the role is missing")
	}
	return nil
}
