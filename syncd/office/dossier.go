package office

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"time"

	"ullage/events"
	form "ullage/events/dossier"
	"ullage/syncd/dossier"
)

// maxFor bounds the name of whom a dossier is for, in bytes.
const maxFor = 1000

// getDossier makes a dossier, writes down that it was made and for whom, and only then answers with the file.
// mostDossiers is how many are made at once: each takes memory, several times its size.
const mostDossiers = 2

func (s *Server) getDossier(w http.ResponseWriter, r *http.Request) {
	file, err := s.dossier(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "application/zip")
	h.Set("Content-Disposition", `attachment; filename="dossier.zip"`)
	h.Set("Cache-Control", "no-store")
	to := &slowly{w: w, control: http.NewResponseController(w), holds: visitOf(r.Context()).holds}
	for part := range slices.Chunk(file, 256<<10) {
		if _, err := to.Write(part); err != nil {
			s.cfg.Log.Warn("office: answer", "path", r.URL.Path, "error", err)
			panic(http.ErrAbortHandler)
		}
	}
}

func (s *Server) dossier(r *http.Request) ([]byte, error) {
	ctx := r.Context()
	q, err := readQuestion(r, "visit", "machine", "from", "to", "for")
	if err != nil {
		return nil, err
	}
	ask, err := q.dossier()
	if err != nil {
		return nil, err
	}
	if len(q["for"]) > maxFor {
		return nil, bad("for: a name of at most %d bytes, please", maxFor)
	}
	select {
	case s.dossiers <- struct{}{}:
		defer func() { <-s.dossiers }()
	default:
		return nil, asked{http.StatusServiceUnavailable, errors.New("other dossiers are being made; ask again in a moment")}
	}
	if err := s.fresh(ctx); err != nil {
		return nil, err
	}
	made, err := s.cfg.Dossiers.Make(ctx, ask)
	switch {
	case errors.Is(err, dossier.ErrForked):
		return nil, asked{http.StatusConflict, err}
	case errors.Is(err, dossier.ErrNothing):
		return nil, asked{http.StatusNotFound, err}
	case errors.Is(err, form.ErrTooLarge):
		return nil, bad("%w", err)
	case err != nil:
		return nil, err
	}
	for _, d := range made.Evidence {
		visitOf(ctx).reads.add(d)
	}
	return made.File, s.dossierMade(r, q, made)
}

// dossier reads what a dossier is asked for.
func (q question) dossier() (ask dossier.Question, err error) {
	if (q["visit"] == "") == (q["machine"] == "") {
		return ask, bad("a dossier is of a visit or of a machine: give one of visit and machine")
	}
	if v := q["visit"]; v != "" {
		if q["from"] != "" || q["to"] != "" {
			return ask, bad("from and to go with machine; a visit is shown whole")
		}
		if ask.Visit, err = events.ParseRecordID(v); err != nil || ask.Visit.IsZero() {
			return ask, bad("visit: %q is no UUID of a visit, such as an answer to a record gives", v)
		}
		return ask, nil
	}
	ask = dossier.Question{Machine: events.MachineID(q["machine"]), From: events.MinMillis, To: events.MaxMillis}
	if err := events.CheckIdentifier(q["machine"]); err != nil {
		return ask, bad("machine: %w", err)
	}
	if text := q["from"]; text != "" {
		if ask.From, err = parseBound(text); err != nil {
			return ask, bad("from: %w", err)
		}
		if len(text) == len(time.DateOnly) { // the day's beginning
			ask.From -= 86_400_000 - 1
		}
	}
	if text := q["to"]; text != "" {
		if ask.To, err = parseBound(text); err != nil {
			return ask, bad("to: %w", err)
		}
	}
	if ask.From > ask.To {
		return ask, bad("from %s lies after to %s", q["from"], q["to"])
	}
	return ask, nil
}

// dossierMade records that a dossier was made.
func (s *Server) dossierMade(r *http.Request, q question, made *dossier.Made) error {
	body := map[string]any{"digest": made.Report.Digest}
	if q["for"] != "" {
		body["for"] = q["for"]
	}
	var pieces []string
	for _, d := range made.Evidence {
		pieces = append(pieces, "evidence:"+d.String())
	}
	if pieces != nil {
		body["evidence"] = pieces
	}
	line := map[string]any{"kind": "dossier.made", "body": body}
	for _, about := range []string{"visit", "machine"} {
		if q[about] != "" {
			line[about] = q[about]
		}
	}
	b, err := json.Marshal(line)
	if err != nil {
		return err
	}
	if _, err := s.cfg.Recorder.Record(r.Context(), bytes.NewReader(b)); err != nil {
		return fmt.Errorf("the dossier is not given out, for it could not be written down that it was made: %w", err)
	}
	return nil
}
