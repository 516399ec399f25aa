package office

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"net/http"
	"time"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/projections/ledger"
	"ullage/projections/machine"
)

//go:embed page
var pageFiles embed.FS

func parsePages(funcs template.FuncMap) *template.Template {
	return template.Must(template.New("pages").Funcs(funcs).ParseFS(pageFiles, "page/*.html"))
}

// page makes a handler of what gives the name of a template and its data.
func (s *Server) page(make func(*http.Request) (string, any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		name, data, err := make(r)
		if err != nil {
			s.pageError(w, r, err)
			return
		}
		s.render(w, http.StatusOK, name, data)
	}
}

func (s *Server) pageError(w http.ResponseWriter, r *http.Request, err error) {
	status, words := s.words(r, err)
	s.render(w, status, "error", sentence(words))
}

func (s *Server) render(w http.ResponseWriter, status int, name string, data any) {
	var b bytes.Buffer
	if err := s.templates.ExecuteTemplate(&b, name, data); err != nil {
		s.cfg.Log.Error("office: page "+name, "error", err)
		http.Error(w, "The page could not be made; the centre's log says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	if _, err := b.WriteTo(w); err != nil {
		s.cfg.Log.Debug("office: page "+name, "error", err) // the browser went away
	}
}

// pageRow is one machine among all.
type pageRow struct {
	Machine events.MachineID
	Retired bool
	Site    string
	Bath    *bath
	Finding *finding // the newest that is worth a look
	Faults  int
}

func (s *Server) pageMachines(r *http.Request) (string, any, error) {
	ctx, asked := r.Context(), time.Now()
	all, _, err := s.inputs(ctx, question{})
	if err != nil {
		return "", nil, err
	}
	reg, err := s.cfg.Store.Register(ctx, projections.Now)
	if err != nil {
		return "", nil, err
	}
	show, err := s.shower(ctx)
	if err != nil {
		return "", nil, err
	}
	data := struct {
		Fresh    stamp
		Machines []pageRow
		Legend   bool
	}{Fresh: freshness(asked)}
	for _, in := range all {
		state := machine.Fold(in)
		site, err := show.siteName(reg, state.Site)
		if err != nil {
			return "", nil, err
		}
		c := clockOf(reg, state.Site, asked)
		row := pageRow{Machine: in.Machine, Retired: state.Retired, Site: site, Bath: c.bath(state), Faults: len(state.OpenFaults)}
		for _, span := range ledger.Fold(in).Spans {
			if span.Grade == ledger.Look || span.Grade == ledger.Say {
				row.Finding, data.Legend = c.finding(span), true
			}
		}
		data.Machines = append(data.Machines, row)
	}
	return "machines", data, nil
}

// siteName is a site's name, where the register gives one that is held here, or else its code.
func (s shower) siteName(reg *projections.Register, id events.SiteID) (string, error) {
	if entry, ok := reg.Site(id, events.MaxMillis); ok && !entry.Name.IsZero() {
		name, ok, err := s.Text(entry.Name)
		if err != nil || ok {
			return string(name), err
		}
	}
	return string(id), nil
}

// pageOne is all that is shown of a machine.
type pageOne struct {
	Fresh   stamp
	Machine events.MachineID
	Site    string
	About   string
	Zone    string // of all times that do not say another
	Bath    *bath
	Reads   []reading
	Tanks   bool // there is more than one
	Spans   []span
	Legend  bool
	Faults  []fault
	Parts   []part
	Records []record
}

func (s *Server) pageMachine(r *http.Request) (string, any, error) {
	ctx, asked := r.Context(), time.Now()
	id := events.MachineID(r.PathValue("machine"))
	all, _, err := s.inputs(ctx, question{"machine": string(id)})
	if err != nil {
		return "", nil, err
	}
	list, err := s.audit(ctx, audit.Query{Machine: id}, projections.Now)
	if err != nil {
		return "", nil, err
	}
	reg, err := s.cfg.Store.Register(ctx, projections.Now)
	if err != nil {
		return "", nil, err
	}
	show, err := s.shower(ctx)
	if err != nil {
		return "", nil, err
	}
	state, err := show.state(all[0])
	if err != nil {
		return "", nil, err
	}
	site, err := show.siteName(reg, state.Site)
	if err != nil {
		return "", nil, err
	}
	c := clockOf(reg, state.Site, asked)
	for _, row := range list.Records {
		c.settle(row.Done) // the newest rules
	}
	page := pageOne{
		Fresh: freshness(asked), Machine: id, Site: site, About: about(reg, id, state), Zone: c.zone, Bath: c.bath(state),
		Reads: c.readings(state), Faults: c.faults(state), Parts: c.parts(state), Records: c.records(list, id),
	}
	book := ledger.Fold(all[0])
	for _, x := range book.Spans {
		page.Tanks = page.Tanks || x.Tank != book.Spans[0].Tank
		page.Legend = page.Legend || x.Grade == ledger.Look || x.Grade == ledger.Say
		page.Spans = append(page.Spans, c.span(x))
	}
	return "machine", page, nil
}

// about says in a line what a machine is.
func about(reg *projections.Register, id events.MachineID, state machine.State) string {
	var text string
	if e := reg.Entry(id, events.MaxMillis); e != nil {
		text = string(e.Class)
		if e.Serial != "" {
			text += ", serial " + e.Serial
		}
		if e.Fluid != "" {
			text += fmt.Sprintf(", filled with %s", e.Fluid)
		}
	}
	if state.Retired {
		text += ", retired"
	}
	return text
}
