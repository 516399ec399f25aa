package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"ullage/agent/journal/disk"
	"ullage/events"
)

// Names in the directory of a journal. A segment is named by the number of its first record, in twenty digits.
const (
	extSegment     = ".seg"
	extIndex       = ".idx"
	extMending     = ".mending"      // a damaged segment while its readable parts are put in its place
	extMendingLast = ".mending-last" // the same of the last segment
	extDamaged     = ".damaged"      // a segment that was set aside; perhaps with .2, .3 behind it
	extTemp        = ".tmp"          // half made; removed on opening
	identityName   = "identity"
	lockName       = "lock"
)

const nameDigits = 20

// maxSeq bounds the numbers that are believed; no device will get there.
const maxSeq events.Seq = 1 << 62

// baseName is the name of what belongs to the segment that begins with record mark.
func baseName(mark events.Seq, ext string) string {
	return fmt.Sprintf("%0*d%s", nameDigits, uint64(mark), ext)
}

// parseName is the inverse of baseName.
func parseName(name string) (mark events.Seq, ext string, ok bool) {
	if len(name) <= nameDigits || name[nameDigits] != '.' {
		return 0, "", false
	}
	n, err := strconv.ParseUint(name[:nameDigits], 10, 64)
	if err != nil || n == 0 || n > uint64(maxSeq) {
		return 0, "", false
	}
	return events.Seq(n), name[nameDigits:], true
}

// listing is what a directory holds.
type listing struct {
	segments []events.Seq // ascending
	mending  []string
	damaged  []string
	temps    []string
	identity bool
}

// list reads the directory. A directory that is not there is an empty one.
func list(layer disk.FS, dir string) (listing, error) {
	names, err := layer.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return listing{}, nil
	}
	if err != nil {
		return listing{}, fmt.Errorf("list the journal: %w", err)
	}
	var l listing
	for _, name := range names {
		if name == identityName {
			l.identity = true
			continue
		}
		if strings.HasSuffix(name, extTemp) {
			l.temps = append(l.temps, name)
			continue
		}
		mark, ext, ok := parseName(name)
		switch {
		case !ok:
		case ext == extSegment:
			l.segments = append(l.segments, mark)
		case ext == extMending || ext == extMendingLast:
			l.mending = append(l.mending, name)
		case strings.HasPrefix(ext, extDamaged):
			l.damaged = append(l.damaged, name)
		}
	}
	slices.Sort(l.segments)
	slices.Sort(l.mending)
	slices.Sort(l.damaged)
	return l, nil
}

// dirFS is one directory of a file layer, by base names.
type dirFS struct {
	layer disk.FS
	dir   string
}

func (d dirFS) path(name string) string                  { return filepath.Join(d.dir, name) }
func (d dirFS) create(name string) (disk.File, error)    { return d.layer.Create(d.path(name)) }
func (d dirFS) open(name string) (disk.File, error)      { return d.layer.Open(d.path(name)) }
func (d dirFS) openWrite(name string) (disk.File, error) { return d.layer.OpenWrite(d.path(name)) }
func (d dirFS) rename(from, to string) error             { return d.layer.Rename(d.path(from), d.path(to)) }
func (d dirFS) remove(name string) error                 { return d.layer.Remove(d.path(name)) }
func (d dirFS) syncDir() error                           { return d.layer.SyncDir(d.dir) }
func (d dirFS) list() (listing, error)                   { return list(d.layer, d.dir) }
func (d dirFS) removeIfThere(name string) error {
	if err := d.remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// writeWhole makes a file of these bytes that is there whole or not at all, also after a power cut: write under
// another name, sync, rename, sync the directory.
func (d dirFS) writeWhole(name string, b []byte) error {
	f, err := d.create(name + extTemp)
	if err != nil {
		return err
	}
	_, err = f.WriteAt(b, 0)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = d.rename(name+extTemp, name)
	}
	if err != nil {
		return err
	}
	return d.syncDir()
}

// readHead reads up to most bytes from the front of a file.
func (d dirFS) readHead(name string, most int) ([]byte, error) {
	f, err := d.open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return readUpTo(f, most, 0)
}
