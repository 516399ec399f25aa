package office

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"

	"ullage/events"
	"ullage/events/entry"
	"ullage/syncd/trust"
)

// postRecords takes entry lines and answers with a line a record, once they are received. What else can be told:
//
//	422 {"error","line","field"}   a bad line; nothing was written
//	503 {"error","kept"}           the answers of records that are kept and not received yet
func (s *Server) postRecords(w http.ResponseWriter, r *http.Request) {
	body := &watched{r: http.MaxBytesReader(w, r.Body, maxRecords)}
	answers, err := s.cfg.Recorder.Record(r.Context(), body)
	var line *entry.LineError
	var kept *NotReceivedError
	switch {
	case err == nil:
		w.Header().Set("Content-Type", "application/x-ndjson")
		w.Header().Set("Cache-Control", "no-store")
		out := json.NewEncoder(w)
		for _, a := range answers {
			if err := out.Encode(a); err != nil {
				s.cfg.Log.Warn("office: answer", "path", r.URL.Path, "error", err)
				return
			}
		}
	case errors.As(err, &kept):
		s.cfg.Log.Error("office: "+r.Method+" "+r.URL.Path, "error", err)
		s.reply(w, r, http.StatusServiceUnavailable, map[string]any{"error": err.Error(), "kept": kept.Answers})
	case body.err != nil:
		if large := (*http.MaxBytesError)(nil); !errors.As(body.err, &large) {
			err = bad("the lines did not arrive whole; nothing was recorded: %w", body.err)
		}
		s.fail(w, r, err)
	case errors.As(err, &line):
		s.reply(w, r, http.StatusUnprocessableEntity, map[string]any{"error": err.Error(), "line": line.Line, "field": line.Field})
	default:
		// The journal's own words, such as that the disk is full: whoever records must know.
		s.cfg.Log.Error("office: "+r.Method+" "+r.URL.Path, "error", err)
		s.reply(w, r, http.StatusInternalServerError, map[string]string{"error": fmt.Sprintf("it could not be recorded: %v", err)})
	}
}

// watched remembers with what error, other than its end, a reader ended.
type watched struct {
	r   io.Reader
	err error
}

func (w *watched) Read(p []byte) (int, error) {
	n, err := w.r.Read(p)
	if err != nil && err != io.EOF {
		w.err = err
	}
	return n, err
}

// postCode makes a one-time code for a device.
func (s *Server) postCode(r *http.Request) (any, error) {
	b, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, maxQuestion))
	if err != nil {
		if large := (*http.MaxBytesError)(nil); !errors.As(err, &large) {
			err = bad("the request did not arrive whole: %w", err)
		}
		return nil, err
	}
	var fields map[string]json.RawMessage
	var name string
	if json.Unmarshal(b, &fields) != nil || len(fields) != 1 || json.Unmarshal(fields["name"], &name) != nil {
		return nil, bad(`the request is an object with the device's name and nothing else: {"name":"tab-1"}`)
	}
	code, err := s.cfg.NewCode(name)
	switch {
	case errors.Is(err, events.ErrIdentifier):
		return nil, asked{http.StatusBadRequest, err}
	case errors.Is(err, trust.ErrName):
		return nil, asked{http.StatusConflict, err}
	case err != nil:
		return nil, err
	}
	return map[string]string{"code": code.String()}, nil
}
