package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ullage/syncd/stream"
)

// following runs Follow until stop is called.
func following(t *testing.T, s *Store, src stream.Stream) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Follow(ctx, src) }()
	return func() {
		t.Helper()
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("Follow: %v", err)
			}
		case <-time.After(patience):
			t.Fatal("Follow does not end")
		}
	}
}

func open(t *testing.T, dir string) *Store {
	t.Helper()
	s, err := Open(config(dir))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func shut(t *testing.T, s *Store) {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// wait waits until the store holds the whole stream.
func (c *centre) wait(s *Store) {
	c.t.Helper()
	at, err := c.source.State(soon(c.t))
	if err == nil {
		err = s.Wait(soon(c.t), at.Last)
	}
	if err != nil {
		c.t.Fatal(err)
	}
}

// tables is all that stands in a closed model, but for where it says that it was made.
func tables(t *testing.T, dir string) string {
	t.Helper()
	newest, _, err := numbers(dir)
	if err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", dsn(modelPath(dir, newest), "ro"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var all []string
	for _, table := range []string{"push", "touch", "correction", "seen", "clock", "rest", "restatement", "unread"} {
		rows, err := db.Query("SELECT * FROM " + table)
		if err != nil {
			t.Fatal(err)
		}
		columns, _ := rows.Columns()
		for rows.Next() {
			row := make([]any, len(columns))
			for i := range row {
				row[i] = new(any)
			}
			if err := rows.Scan(row...); err != nil {
				t.Fatal(err)
			}
			line := table
			for i := range row {
				line += fmt.Sprintf(" %x", *row[i].(*any))
			}
			all = append(all, line)
		}
		if err := errors.Join(rows.Err(), rows.Close()); err != nil {
			t.Fatal(err)
		}
	}
	slices.Sort(all)
	return strings.Join(all, "\n")
}

func files(t *testing.T, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		if filepath.Ext(e.Name()) == ".db" {
			names = append(names, e.Name())
		}
	}
	slices.Sort(names)
	return strings.Join(names, " ")
}

// edit edits a closed model.
func edit(t *testing.T, dir, query string, args ...any) {
	t.Helper()
	newest, _, err := numbers(dir)
	if err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", dsn(modelPath(dir, newest), "rw"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(query, args...); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// Follow keeps up; a store that is closed in between goes on where it was; and what came bit by bit is what a rebuild
// makes at once, restatements included.
func TestFollow(t *testing.T) {
	company := run(t, 1500, 2)
	all := company.messages
	third := len(all) / 3
	c := newCentre(t)
	dir := t.TempDir()
	c.store(all[:third]...)
	s := open(t, dir)
	stop := following(t, s, c.source)
	c.wait(s)
	c.store(all[third : 2*third]...)
	c.wait(s)
	stop()
	shut(t, s)
	c.store(all[2*third:]...)
	s = open(t, dir)
	if place := s.Place(); place.Seq != uint64(2*third) {
		t.Errorf("reopened at message %d, want %d", place.Seq, 2*third)
	}
	stop = following(t, s, c.source)
	c.wait(s)
	stop()
	wantRestatements(t, s, company.restated())
	shut(t, s)
	followed := tables(t, dir)

	before := files(t, dir)
	s = open(t, dir)
	var told []uint64
	err := s.Rebuild(context.Background(), c.source, func(done, of uint64) {
		if of != uint64(len(all)) || done > of {
			t.Errorf("progress: %d of %d", done, of)
		}
		told = append(told, done)
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(told) == 0 || told[len(told)-1] != uint64(len(all)) || !slices.IsSorted(told) {
		t.Errorf("progress: %d", told)
	}
	if err := s.Wait(soon(t), uint64(len(all))); err != nil {
		t.Error(err)
	}
	if got := files(t, dir); got == before || strings.Contains(got, " ") {
		t.Errorf("files %s, and %s before", got, before)
	}
	shut(t, s)
	if rebuilt := tables(t, dir); rebuilt != followed {
		t.Errorf("rebuilt: %s", difference(rebuilt, followed))
	}
}

// A model that does not stand where the stream does is built anew, and nobody is told that it has what it lacks; it is
// kept aside.
func TestPlaceThatDoesNotHold(t *testing.T) {
	story := run(t, 300, 2).messages
	for _, c := range []struct{ what, query string }{
		{"another stream", `UPDATE meta SET value=value+1 WHERE name='created'`},
		{"another message there", `UPDATE meta SET value=zeroblob(32) WHERE name='hash'`},
		{"a stream that ends before", `UPDATE meta SET value=value+7 WHERE name='seq'`},
	} {
		t.Run(c.what, func(t *testing.T) {
			centre := newCentre(t)
			centre.store(story...)
			dir := t.TempDir()
			s := open(t, dir)
			if err := s.Rebuild(context.Background(), centre.source, nil); err != nil {
				t.Fatal(err)
			}
			want := s.Place()
			shut(t, s)
			before := tables(t, dir)
			edit(t, dir, c.query)

			s = open(t, dir)
			soon, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
			if err := s.Wait(soon, want.Seq); !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("Wait on a model of who knows which stream: %v", err)
			}
			cancel()
			stop := following(t, s, centre.source)
			centre.wait(s)
			stop()
			if got := s.Place(); got != want {
				t.Errorf("it stands at %v, want %v", got, want)
			}
			shut(t, s)
			if got := files(t, dir); got != "aside-2.db model-3.db" {
				t.Errorf("files %s", got)
			}
			if after := tables(t, dir); after != before {
				t.Error(difference(after, before))
			}
		})
	}
}

// What cannot be read stops nothing; it is told, and read again once it can be.
func TestUnreadable(t *testing.T) {
	messages := run(t, 300, 2).messages
	c := newCentre(t)
	c.store(messages[0], sent{device: "tab-77", data: []byte("what is this?")})
	c.store(messages[1:]...)
	dir := t.TempDir()
	s := open(t, dir)
	stop := following(t, s, c.source)
	c.wait(s)
	unread, err := s.Unread(soon(t))
	if err != nil || len(unread) != 1 || unread[0].First != 2 || unread[0].Last != 2 || unread[0].Why == "" {
		t.Errorf("%+v, %v", unread, err)
	}
	if ids, err := s.Machines(soon(t)); err != nil || len(ids) != 2*sitesEach*machinesEach {
		t.Errorf("%d machines, %v", len(ids), err)
	}
	stop()
	shut(t, s)
	if s = open(t, dir); !s.model.same {
		t.Error("what this version cannot read is no reason to read everything again")
	}
	shut(t, s)
	edit(t, dir, `UPDATE unread SET data=?`, messages[1].data)
	if s = open(t, dir); s.model.same {
		t.Error("a version that can read it now does not")
	}
	shut(t, s)
}

func TestWait(t *testing.T) {
	c := newCentre(t)
	s := open(t, t.TempDir())
	defer shut(t, s)
	defer following(t, s, c.source)()
	if err := s.Wait(soon(t), 0); err != nil {
		t.Error(err)
	}
	ctx, cancel := context.WithCancelCause(context.Background())
	mine := errors.New("mine")
	cancel(mine)
	if err := s.Wait(ctx, 1); !errors.Is(err, mine) {
		t.Errorf("got %v", err)
	}
}
