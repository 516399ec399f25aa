// Package planted breaks the code on purpose, one deliberate defect at a time, and shows that the tests notice.
//
// A test that passes says little until it has been seen to fail. So each Defect is a small change to one file of the
// product, such as somebody might make in a hurry: a sync left out, a cursor moved early, a number used twice. The change
// is laid over the file for the length of one build, with the go command's -overlay; the product has no switches for it. All
// of it happens in a copy of the module, because tests that fail leave notes beside themselves. A defect names the tests that
// must catch it. Those are run once without it, and must pass; and once with it, and must fail.
//
// The list is held to the code by a test: what a defect replaces must stand in its file exactly once, and the tests that
// it names must be there.
package planted

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// Defect is a deliberate fault in one file.
type Defect struct {
	Name    string // of small letters, digits and "-"
	What    string // it does, in a few words
	Promise int    // of the design's section 5 that it breaks; 0 where it breaks another
	File    string // from the top of the module, with "/"
	Old     string // stands there exactly once
	New     string // takes its place
	Caught  []Check
}

// Check are tests of one package that must catch a defect.
type Check struct {
	Package string // from the top of the module, with "/"
	Run     string // as go test -run
}

// Result is what came of one defect.
type Result struct {
	*Defect
	By   []string // tests that failed with it; none: nothing has caught it
	Took time.Duration
}

// Errors of Run about a list that is not true any more.
var (
	ErrOld   = errors.New("what the defect replaces does not stand in its file exactly once")
	ErrBuild = errors.New("the code does not build with the defect")
	ErrClean = errors.New("the tests fail without the defect already")
)

// Apply returns the file with the defect in it; root is the top of the module. Its error wraps ErrOld.
func (d *Defect) Apply(root string) ([]byte, error) {
	b, err := os.ReadFile(d.path(root))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", d.Name, err)
	}
	if n := strings.Count(string(b), d.Old); n != 1 || d.Old == d.New {
		return nil, fmt.Errorf("%s: %s: %w; it stands there %d times", d.Name, d.File, ErrOld, n)
	}
	return bytes.Replace(b, []byte(d.Old), []byte(d.New), 1), nil
}

func (d *Defect) path(root string) string { return filepath.Join(root, filepath.FromSlash(d.File)) }

// Runner turns defects on, one after the other.
type Runner struct {
	root string // the top of its copy of the module
	pure map[Check]error
}

// NewRunner makes a runner for a copy of the module whose top is root. The caller closes it.
func NewRunner(root string) (*Runner, error) {
	dir, err := os.MkdirTemp("", "planted-")
	if err != nil {
		return nil, err
	}
	r := &Runner{root: filepath.Join(dir, "module"), pure: map[Check]error{}}
	if err := copyTree(r.root, root); err != nil {
		return nil, errors.Join(err, r.Close())
	}
	return r, nil
}

// Close removes the copy.
func (r *Runner) Close() error { return os.RemoveAll(filepath.Dir(r.root)) }

// copyTree copies the regular files of a tree, those of hidden folders aside.
func copyTree(to, from string) error {
	return filepath.WalkDir(from, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(from, path)
		switch {
		case err != nil:
			return err
		case d.IsDir() && rel != "." && strings.HasPrefix(d.Name(), "."):
			return filepath.SkipDir
		case d.IsDir():
			return os.MkdirAll(filepath.Join(to, rel), 0o700)
		case !d.Type().IsRegular():
			return nil
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(to, rel), b, 0o600)
	})
}

// Run runs the tests that must catch a defect, until one of them does. Its errors wrap ErrOld, ErrBuild and ErrClean
// where the list is wrong.
func (r *Runner) Run(ctx context.Context, d *Defect) (Result, error) {
	began := time.Now()
	result := Result{Defect: d}
	overlay, err := r.overlay(d)
	if err != nil {
		return result, err
	}
	for _, c := range d.Caught {
		if err := r.clean(ctx, c); err != nil {
			return result, fmt.Errorf("%s: %s: %w", d.Name, c, err)
		}
		failed, err := r.test(ctx, c, "-overlay="+overlay)
		if err != nil {
			return result, fmt.Errorf("%s: %s: %w", d.Name, c, err)
		}
		if result.By = failed; len(failed) > 0 {
			break
		}
	}
	result.Took = time.Since(began)
	return result, nil
}

// overlay writes what the go command is told: that the file with the defect stands in the place of the one without.
func (r *Runner) overlay(d *Defect) (string, error) {
	b, err := d.Apply(r.root)
	if err != nil {
		return "", err
	}
	dir := filepath.Dir(r.root)
	file, list := filepath.Join(dir, "defect.go"), filepath.Join(dir, "overlay.json")
	if err := os.WriteFile(file, b, 0o600); err != nil {
		return "", err
	}
	say, err := json.Marshal(map[string]map[string]string{"Replace": {d.path(r.root): file}})
	if err != nil {
		return "", err
	}
	return list, os.WriteFile(list, say, 0o600)
}

// clean runs tests without a defect, once.
func (r *Runner) clean(ctx context.Context, c Check) error {
	if err, done := r.pure[c]; done {
		return err
	}
	failed, err := r.test(ctx, c)
	if err == nil && len(failed) > 0 {
		err = fmt.Errorf("%w: %s", ErrClean, strings.Join(failed, ", "))
	}
	r.pure[c] = err
	return err
}

// line is one line of what go test -json prints.
type line struct {
	Action, Package, Test, Output string
}

// test runs tests, and returns the names of those that failed. A package that ended without one, in a panic or at its
// time's end, has failed under its own name.
func (r *Runner) test(ctx context.Context, c Check, more ...string) ([]string, error) {
	args := append([]string{"test", "-json", "-count=1", "-timeout=5m", "-run=" + c.Run}, more...)
	cmd := exec.CommandContext(ctx, "go", append(args, "./"+c.Package)...)
	cmd.Dir = r.root
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = 10 * time.Second
	out, err := cmd.Output()
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	var failed []string
	said, ran, whole := "", false, false
	in := bufio.NewScanner(bytes.NewReader(out))
	in.Buffer(nil, 16<<20)
	for in.Scan() {
		var l line
		if json.Unmarshal(in.Bytes(), &l) != nil {
			continue
		}
		switch l.Action {
		case "build-output":
			said += l.Output
		case "run":
			ran = true
		case "fail":
			if whole = true; l.Test != "" && !slices.Contains(failed, l.Test) {
				failed = append(failed, l.Test)
			}
		}
	}
	switch {
	case said != "" && err != nil && !ran:
		return nil, fmt.Errorf("%w:\n%s", ErrBuild, said)
	case err == nil && !ran:
		return nil, errors.New("no such test")
	case err != nil && !whole:
		return nil, fmt.Errorf("go test: %w", err)
	case err != nil && len(failed) == 0:
		failed = []string{c.Package}
	}
	return failed, in.Err()
}

func (c Check) String() string { return c.Package + " -run " + c.Run }
