package office

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"net/http"
	"strconv"
	"time"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/projections/ledger"
	"ullage/projections/machine"
)

//go:embed page
var pageFiles embed.FS

var templates = template.Must(template.New("").Funcs(template.FuncMap{
	"litres": litres,
	"when":   when,
}).ParseFS(pageFiles, "page/*.html"))

// litres rounds for reading: whole litres where that says as much as is known.
func litres(m projections.Measured) string {
	places := 1
	if m.U >= 1 {
		places = 0
	}
	return strconv.FormatFloat(float64(m.Value), 'f', places, 64)
}

// when shortens RFC 3339 for reading; the zone stays.
func when(at any) string {
	s := fmt.Sprint(at)
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return s
	}
	return t.Format("2 Jan 2006 15:04 -07:00")
}

// pages are plain tables that only show.
func (s *Server) pages(mux *http.ServeMux) {
	mux.HandleFunc("GET /in", s.enter)
	mux.HandleFunc("GET /style.css", func(w http.ResponseWriter, r *http.Request) {
		http.ServeFileFS(w, r, pageFiles, "page/style.css")
	})
	mux.Handle("GET /{$}", s.inside(s.pageMachines))
	mux.Handle("GET /machines/{machine}", s.inside(s.pageMachine))
}

func (s *Server) render(w http.ResponseWriter, name string, data any) {
	var b bytes.Buffer
	if err := templates.ExecuteTemplate(&b, name, data); err != nil {
		s.cfg.Log.Error("office: page "+name, "error", err)
		http.Error(w, "The page could not be made; the centre's log says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	if _, err := b.WriteTo(w); err != nil {
		s.cfg.Log.Warn("office: page "+name, "error", err)
	}
}

// failPage shows an error as a page.
func (s *Server) failPage(w http.ResponseWriter, r *http.Request, err error) {
	status, words := s.words(r, err)
	w.WriteHeader(status)
	s.render(w, "error", words)
}

// freshness says how new a page is.
type freshness struct {
	Made  string // when the page was made
	Place uint64 // messages of the stream that are in it
}

func (s *Server) freshness() freshness {
	return freshness{time.Now().Format("15:04:05"), s.cfg.Store.Place().Seq}
}

type machineRow struct {
	State machine.State
	Loss  ledger.Span // the newest span that says something
	Says  bool
}

func (s *Server) pageMachines(w http.ResponseWriter, r *http.Request) {
	if err := s.fresh(r.Context()); err != nil {
		s.failPage(w, r, err)
		return
	}
	ids, err := s.cfg.Store.Machines(r.Context())
	if err != nil {
		s.failPage(w, r, err)
		return
	}
	data := struct {
		Fresh    freshness
		Machines []machineRow
	}{Fresh: s.freshness()}
	for _, id := range ids {
		in, err := s.cfg.Store.Machine(r.Context(), id, projections.Now)
		if err != nil {
			s.failPage(w, r, err)
			return
		}
		row := machineRow{State: machine.Fold(in)}
		for _, span := range ledger.Fold(in).Spans {
			if span.Grade == ledger.Look || span.Grade == ledger.Say {
				row.Loss, row.Says = span, true
			}
		}
		data.Machines = append(data.Machines, row)
	}
	s.render(w, "machines", data)
}

func (s *Server) pageMachine(w http.ResponseWriter, r *http.Request) {
	id := events.MachineID(r.PathValue("machine"))
	if err := s.fresh(r.Context()); err != nil {
		s.failPage(w, r, err)
		return
	}
	in, err := s.cfg.Store.Machine(r.Context(), id, projections.Now)
	if err != nil {
		s.failPage(w, r, err)
		return
	}
	list, err := s.audit(r.Context(), audit.Query{Machine: id}, projections.Now)
	if err != nil {
		s.failPage(w, r, err)
		return
	}
	book := ledger.Fold(in)
	s.render(w, "machine", struct {
		Fresh   freshness
		State   machine.State
		Ledger  ledger.Ledger
		Records []audit.Row
	}{s.freshness(), machine.Fold(in), book, list.Records})
}
