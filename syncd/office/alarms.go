package office

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"

	"ullage/events"
	"ullage/syncd/alarm"
)

// getAlarms answers with the whole book, oldest first.
func (s *Server) getAlarms(*http.Request, question) (any, error) {
	return map[string]any{"alarms": s.cfg.Alarms.All()}, nil
}

// postAlarm acknowledges an alarm by its name.
func (s *Server) postAlarm(r *http.Request) (any, error) {
	b, err := io.ReadAll(http.MaxBytesReader(nil, r.Body, maxQuestion))
	if err != nil {
		return nil, err
	}
	var q struct {
		Name string           `json:"name"`
		By   events.StaffCode `json:"by"`
	}
	if err := json.Unmarshal(b, &q); err != nil || q.Name == "" {
		return nil, bad(`the request is an object with the alarm's name and who acknowledges it: {"name":"log-conflict-1","by":"O1"}`)
	}
	switch err := s.cfg.Alarms.Acknowledge(q.Name, q.By); {
	case errors.Is(err, alarm.ErrUnknown):
		return nil, asked{http.StatusNotFound, err}
	case errors.Is(err, alarm.ErrClosed):
		return nil, asked{http.StatusConflict, err}
	case errors.Is(err, events.ErrIdentifier):
		return nil, asked{http.StatusBadRequest, err}
	case err != nil:
		return nil, err
	}
	return map[string]any{"acknowledged": q.Name}, nil
}

// alarmsHeader tells, with every answer of the API, how many alarms are open.
const alarmsHeader = "Ullage-Alarms"
