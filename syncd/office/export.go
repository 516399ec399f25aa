package office

import (
	"bufio"
	"encoding/csv"
	"errors"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"ullage/events/entry"
	"ullage/projections"
)

// An export lasts as long as somebody takes it, and is let in: a part of it may take this long to get away.
const partTime = time.Minute

var errShutOut = asked{http.StatusUnauthorized, errors.New("the token holds no more")}

// getExport writes every record, in the order of arrival, as entry lines or as a table.
func (s *Server) getExport(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	q, err := readQuestion(r, "format")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	show := &shower{} // once the read model is fresh
	to := &slowly{w: w, control: http.NewResponseController(w), holds: visitOf(ctx).holds}
	out := bufio.NewWriterSize(to, 64<<10)
	var e exporter
	switch q["format"] {
	case "", "ndjson":
		w.Header().Set("Content-Type", "application/x-ndjson")
		e = &lines{out, show}
	case "csv":
		w.Header().Set("Content-Type", "text/csv; charset=utf-8")
		e = &table{csv.NewWriter(out), show}
	default:
		s.fail(w, r, bad("format: %q is neither ndjson nor csv", q["format"]))
		return
	}
	if err = s.fresh(ctx); err == nil {
		*show, err = s.shower(ctx)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Cache-Control", "no-store")
	err = e.begin()
	if err == nil {
		err = s.cfg.Store.Each(ctx, e.record)
	}
	if err == nil {
		err = errors.Join(e.end(), out.Flush())
	}
	switch {
	case err == nil:
	case !to.begun:
		s.fail(w, r, err)
	default:
		// Part of it is out, with a good status: cutting the connection is the only way to say that the rest is missing.
		s.words(r, err)
		panic(http.ErrAbortHandler)
	}
}

// slowly gives each part of a long answer time of its own.
type slowly struct {
	w       io.Writer
	control *http.ResponseController
	holds   func() bool // whether who takes it is still let in
	begun   bool        // part of it is out
}

func (s *slowly) Write(p []byte) (int, error) {
	if !s.holds() {
		return 0, errShutOut
	}
	if err := s.control.SetWriteDeadline(time.Now().Add(partTime)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	n, err := s.w.Write(p)
	s.begun = s.begun || n > 0
	return n, err
}

type exporter interface {
	begin() error
	record(*projections.Arrival) error
	end() error
}

// lines writes entry lines.
type lines struct {
	out  io.Writer
	show *shower
}

func (*lines) begin() error { return nil }
func (*lines) end() error   { return nil }

func (l *lines) record(a *projections.Arrival) error {
	line, err := entry.Line(&a.Record, l.show)
	if err != nil {
		return err
	}
	_, err = l.out.Write(append(line, '\n'))
	return err
}

// table writes comma-separated values with a head.
type table struct {
	out  *csv.Writer
	show *shower
}

func (t *table) begin() error {
	return t.out.Write([]string{"id", "device", "seq", "kind", "v", "done", "written", "received", "site", "machine", "visit", "by", "held", "body"})
}

func (t *table) end() error {
	t.out.Flush()
	return t.out.Error()
}

func (t *table) record(a *projections.Arrival) error {
	body, err := t.show.body(&a.Record)
	if err != nil {
		return err
	}
	x, visit := &a.Record, ""
	if !x.Visit.IsZero() {
		visit = x.Visit.String()
	}
	row := []string{
		x.ID.String(), string(x.Device), strconv.FormatUint(uint64(x.Seq), 10), string(x.Kind), strconv.Itoa(x.V), x.Done.Format(x.Zone),
		x.Clock.At().Format(x.Zone), a.Received.Format(x.Zone), string(x.Site), string(x.Machine), visit, string(x.By), a.Held, string(body),
	}
	for i, cell := range row {
		row[i] = harmless(cell)
	}
	return t.out.Write(row)
}

// harmless keeps a spreadsheet from taking a text for a formula: it gets an apostrophe before it. (The entry lines are
// the export that reads back.)
func harmless(cell string) string {
	if cell != "" && strings.ContainsRune("=+-@\t\r\n", rune(cell[0])) {
		return "'" + cell
	}
	return cell
}
