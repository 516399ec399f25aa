package access

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"ullage/events"
)

func open(t *testing.T, dir string) (*Journal, *bytes.Buffer) {
	t.Helper()
	var log bytes.Buffer
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	j, err := Open(Config{Dir: dir, Now: func() time.Time { return now }, Changed: func(b Break) { fmt.Fprintf(&log, "changed: %+v\n", b) }, Log: slog.New(slog.NewTextHandler(&log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	return j, &log
}

func path(dir string) string { return filepath.Join(dir, "journal.ndjson") }

func content(t *testing.T, dir string) []byte {
	t.Helper()
	b, err := os.ReadFile(path(dir))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func read(t *testing.T, j *Journal) ([]Entry, Report) {
	t.Helper()
	var all []Entry
	report, err := j.Read(func(_ []byte, e Entry) { all = append(all, e) })
	if err != nil {
		t.Fatal(err)
	}
	return all, report
}

func digests(n int) []string {
	var all []string
	for i := range n {
		all = append(all, events.Hash(sha256.Sum256([]byte(fmt.Sprint(i)))).String())
	}
	return all
}

// fill writes five lines, in two sittings.
func fill(t *testing.T, dir string) {
	t.Helper()
	j, _ := open(t, dir)
	for _, e := range []Entry{
		{Act: SignIn, Who: "person:mara", From: "127.0.0.1", Through: "POST /sign-in", Note: "as office"},
		{Act: EvidenceRead, Who: "person:mara", From: "127.0.0.1", Through: "GET /machines/gs-1", Digests: digests(3)},
		{Act: SignInRefused, From: "::1", Through: "POST /sign-in", About: "lev", Note: "wrong password"},
	} {
		if err := j.Append(e); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j, _ = open(t, dir)
	for _, e := range []Entry{{Act: TokenMade, Who: "local", About: "billing"}, {Act: SignOut, Who: "person:mara"}} {
		if err := j.Append(e); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}

// verify is a second reader, written from FORMAT.md: the numbers of the lines whose hash does not follow.
func verify(t *testing.T, b []byte) (broken []int) {
	t.Helper()
	prev := make([]byte, 32)
	lines := bufio.NewScanner(bytes.NewReader(b))
	lines.Buffer(nil, 65536)
	n := 0
	for lines.Scan() {
		n++
		line := lines.Bytes()
		var fields struct {
			Hash string `json:"hash"`
			N    int    `json:"n"`
		}
		if err := json.Unmarshal(line, &fields); err != nil {
			t.Fatal(err)
		}
		if string(line[:75]) != `{"hash":"`+fields.Hash+`",` {
			t.Fatalf("line %d begins with %s", n, line[:75])
		}
		sum := sha256.Sum256(append(append([]byte("ullage.access.1"), prev...), line[75:]...))
		if hex.EncodeToString(sum[:]) != fields.Hash || fields.N != n {
			broken = append(broken, n)
		}
		prev, _ = hex.DecodeString(fields.Hash)
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
	return broken
}

func TestJournal(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "access")
	fill(t, dir)
	j, log := open(t, dir)
	all, report := read(t, j)
	if len(all) != 5 || len(report.Breaks) != 0 || report.Head.N != 5 || report.Size != int64(len(content(t, dir))) || log.Len() != 0 {
		t.Fatalf("%v %+v %s", all, report, log)
	}
	for i, e := range all {
		if e.N != uint64(i+1) || e.At != "2026-03-02T09:00:00Z" {
			t.Errorf("line %d: %+v", i+1, e)
		}
	}
	if all[1].Who != "person:mara" || len(all[1].Digests) != 3 || all[2].About != "lev" {
		t.Errorf("%+v", all)
	}
	if broken := verify(t, content(t, dir)); broken != nil {
		t.Errorf("the second reader finds lines %v broken", broken)
	}
	if want := `,"n":5,"at":"2026-03-02T09:00:00Z","act":"sign-out","who":"person:mara"}` + "\n"; !strings.HasSuffix(string(content(t, dir)), report.Head.Hash.String()+`"`+want) {
		t.Errorf("the last line: %s", content(t, dir))
	}
	for name, want := range map[string]os.FileMode{dir: 0o700, path(dir): 0o600} {
		info, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		if runtime.GOOS != "windows" && info.Mode().Perm() != want {
			t.Errorf("%s: %v", name, info.Mode())
		}
	}

	// Many digests are several lines; long and bad texts are cut and mended.
	if err := j.Append(Entry{Act: EvidenceRead, Who: "local", Through: strings.Repeat("\x00<ü", 1000) + "\xff", Digests: digests(2*maxDigests + 1)}); err != nil {
		t.Fatal(err)
	}
	all, report = read(t, j)
	if len(all) != 8 || report.Breaks != nil || len(all[5].Digests) != maxDigests || len(all[7].Digests) != 1 || len(all[7].Through) > maxText {
		t.Errorf("%d lines, %+v", len(all), report)
	}
	if broken := verify(t, content(t, dir)); broken != nil {
		t.Errorf("the second reader finds lines %v broken", broken)
	}
}

// TestTampered changes, takes out, puts in, swaps and repeats lines, while the centre runs and while it does not.
func TestTampered(t *testing.T) {
	source := t.TempDir()
	fill(t, source)
	good := bytes.SplitAfter(content(t, source), []byte("\n"))[:5]
	join := func(lines ...[]byte) []byte { return bytes.Join(lines, nil) }
	other := bytes.Replace(good[1], []byte("mara"), []byte("lev0"), 1)
	for name, x := range map[string]struct {
		file          []byte
		broken        []uint64 // found at any time
		endsElse      bool     // which is found while it runs
		handed, lines int
	}{
		"untouched":        {join(good...), nil, false, 5, 5},
		"changed":          {join(good[0], other, good[2], good[3], good[4]), []uint64{2}, false, 5, 5},
		"the first out":    {join(good[1:]...), []uint64{1}, true, 4, 4},
		"one out":          {join(good[0], good[2], good[3], good[4]), []uint64{2}, true, 4, 4},
		"swapped":          {join(good[0], good[2], good[1], good[3], good[4]), []uint64{2, 3, 4}, false, 5, 5},
		"repeated":         {join(good[0], good[0], good[1], good[2], good[3], good[4]), []uint64{2}, false, 6, 6},
		"put in":           {join(good[0], other, good[1], good[2], good[3], good[4]), []uint64{2, 3}, false, 6, 6},
		"nonsense put in":  {join(good[0], []byte("nonsense\n"), good[1], good[2], good[3], good[4]), []uint64{2}, false, 5, 6},
		"a long one":       {join(good[0], bytes.Repeat([]byte("x"), 3*maxLine), []byte("\n"), good[1], good[2], good[3], good[4]), []uint64{2}, false, 5, 6},
		"an empty one":     {join(good[0], []byte("\n"), good[1], good[2], good[3], good[4]), []uint64{2}, false, 5, 6},
		"the end is gone":  {join(good[:4]...), nil, true, 4, 4},
		"all is gone":      {nil, nil, true, 0, 0},
		"the end is other": {join(good[0], good[1], good[2], good[3], bytes.Replace(good[4], []byte("mara"), []byte("lev0"), 1)), []uint64{5}, false, 5, 5},
	} {
		t.Run(name, func(t *testing.T) {
			places := func(r Report) string {
				var all []uint64
				for _, b := range r.Breaks {
					all = append(all, b.Line)
				}
				return fmt.Sprint(all)
			}
			dir := t.TempDir()
			fill(t, dir)
			running, _ := open(t, dir)
			if err := os.WriteFile(path(dir), x.file, 0o600); err != nil {
				t.Fatal(err)
			}
			want := x.broken
			if x.endsElse {
				want = append(want, uint64(x.lines)+1)
			}
			_, report := read(t, running)
			if len(x.file) <= int(report.Size) && places(report) != fmt.Sprint(want) { // of a longer file it reads only what it wrote
				t.Errorf("while it runs: %+v, want %v", report, want)
			} else if name != "untouched" && len(report.Breaks) == 0 {
				t.Error("while it runs: not found")
			}

			j, log := open(t, dir)
			if got := strings.Count(log.String(), "changed: "); got != len(x.broken) {
				t.Errorf("opening tells of %d breaks: %s", got, log)
			}
			var all []Entry
			all, report = read(t, j)
			if places(report) != fmt.Sprint(x.broken) || len(all) != x.handed {
				t.Errorf("after a start: %d lines, %+v, want %v", len(all), report, x.broken)
			}
			if got := strings.Count(log.String(), "changed: "); got != 2*len(x.broken) {
				t.Errorf("reading tells of other breaks: %s", log)
			}
			// It goes on, and the break stays where it is.
			if err := j.Append(Entry{Act: SignOut, Who: "local"}); err != nil {
				t.Fatal(err)
			}
			all, report = read(t, j)
			if places(report) != fmt.Sprint(x.broken) || len(all) != x.handed+1 {
				t.Errorf("going on: %d lines, %+v, want %v", len(all), report, x.broken)
			}
		})
	}
}

// TestFlips changes every byte of a journal in turn: none is overlooked.
func TestFlips(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir)
	good := content(t, dir)
	for i := range good {
		for _, flip := range []byte{1, 0x20, 0x80} {
			bad := bytes.Clone(good)
			bad[i] ^= flip
			c := chain{}
			if err := c.read(bytes.NewReader(bad), func([]byte, Entry) {}); err != nil {
				t.Fatal(err)
			}
			if len(c.breaks) == 0 && c.size == int64(len(good)) {
				t.Errorf("byte %d, %q for %q: not found", i, bad[i], good[i])
			}
		}
	}
}

// TestTorn cuts a journal at every byte, as a power cut can: what was told before stays, and it goes on.
func TestTorn(t *testing.T) {
	source := t.TempDir()
	fill(t, source)
	good := content(t, source)
	dir := t.TempDir()
	for cut := range good {
		if err := os.WriteFile(path(dir), good[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		whole := bytes.Count(good[:cut], []byte("\n"))
		j, log := open(t, dir)
		if torn := cut > 0 && good[cut-1] != '\n'; torn != strings.Contains(log.String(), "never whole") {
			t.Errorf("cut at %d: log %s", cut, log)
		}
		if err := j.Append(Entry{Act: SignOut, Who: "local"}); err != nil {
			t.Fatal(err)
		}
		if all, report := read(t, j); len(all) != whole+1 || report.Breaks != nil {
			t.Errorf("cut at %d: %d lines, %+v", cut, len(all), report)
		}
		j.Close()
	}
	// What is cut off may be longer than what comes next.
	if err := os.WriteFile(path(dir), append(bytes.Clone(good), bytes.Repeat([]byte("x"), 5000)...), 0o600); err != nil {
		t.Fatal(err)
	}
	j, _ := open(t, dir)
	if err := j.Append(Entry{Act: SignOut, Who: "local"}); err != nil {
		t.Fatal(err)
	}
	if b := content(t, dir); b[len(b)-1] != '\n' || verify(t, b) != nil {
		t.Errorf("after a long torn line: %s", b[len(good):])
	}
}

// faulty fails as it is told.
type faulty struct {
	file
	write, sync, truncate error
}

func (f *faulty) WriteAt(p []byte, at int64) (int, error) {
	if f.write != nil {
		n, _ := f.file.WriteAt(p[:len(p)/2], at) // a part of it is there
		return n, f.write
	}
	return f.file.WriteAt(p, at)
}

func (f *faulty) Sync() error { return errors.Join(f.sync, f.file.Sync()) }

func (f *faulty) Truncate(size int64) error {
	if f.truncate != nil {
		return f.truncate
	}
	return f.file.Truncate(size)
}

// TestFaults: an error means not written, whatever the disk has of it.
func TestFaults(t *testing.T) {
	dir := t.TempDir()
	fill(t, dir)
	j, _ := open(t, dir)
	f := &faulty{file: j.f}
	j.f = f
	full := errors.New("the disk is full")
	long := Entry{Act: EvidenceRead, Who: "local", Digests: digests(100)}
	append1 := func(want error) {
		t.Helper()
		if err := j.Append(long); !errors.Is(err, want) {
			t.Errorf("%v, want %v", err, want)
		}
	}
	good := func(lines int) {
		t.Helper()
		if all, report := read(t, j); len(all) != lines || report.Breaks != nil {
			t.Errorf("%d lines, want %d; %+v", len(all), lines, report)
		}
	}
	f.write = full
	append1(full)
	good(5)
	f.truncate = full
	append1(full)
	f.write, f.truncate = nil, nil
	if err := j.Append(Entry{Act: SignOut, Who: "local"}); err != nil { // shorter than what is left of the other
		t.Fatal(err)
	}
	good(6)
	if broken := verify(t, content(t, dir)); broken != nil {
		t.Errorf("lines %v are broken", broken)
	}

	f.sync = full
	append1(full)
	f.sync = nil
	if err := j.Append(long); !errors.Is(err, full) || !strings.Contains(err.Error(), "started anew") {
		t.Errorf("after a sync that failed: %v", err)
	}
	good(6)
	j.Close()
	j, _ = open(t, dir)
	if _, report := read(t, j); report.Breaks != nil || report.Head.N < 6 {
		t.Errorf("%+v", report)
	}
}

// TestMany writes and reads from many sides.
func TestMany(t *testing.T) {
	j, _ := open(t, t.TempDir())
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			for range 20 {
				if err := j.Append(Entry{Act: SignIn, Who: "person:mara"}); err != nil {
					t.Error(err)
				}
				if _, err := j.Read(func([]byte, Entry) {}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	all.Wait()
	if lines, report := read(t, j); len(lines) != 160 || report.Breaks != nil {
		t.Errorf("%d lines, %+v", len(lines), report)
	}
}

// FuzzChain: whatever stands in the file, it is read to its last line feed.
func FuzzChain(f *testing.F) {
	f.Add([]byte(`{"hash":"` + strings.Repeat("0", 64) + `","n":1,"at":"","act":"sign-in"}` + "\n"))
	f.Add([]byte("\n\n{"))
	f.Fuzz(func(t *testing.T, b []byte) {
		c := chain{}
		handed := uint64(0)
		if err := c.read(bytes.NewReader(b), func([]byte, Entry) { handed++ }); err != nil {
			t.Fatal(err)
		}
		if c.size != int64(bytes.LastIndexByte(b, '\n')+1) || c.lines != uint64(bytes.Count(b, []byte("\n"))) || handed > c.lines {
			t.Errorf("size %d, %d lines, %d handed on", c.size, c.lines, handed)
		}
	})
}
