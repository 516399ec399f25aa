package trust

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"
	"time"

	"ullage/events/wire"
)

// EnrolHandler answers enrolments at wire.EnrolPath, and heirs at wire.HeirPath; natsURL says where devices then connect. It takes POST with
// application/json only, of at most wire.MaxEnrol bytes.
func (t *Trust) EnrolHandler(natsURL func() string) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc(wire.EnrolPath, func(w http.ResponseWriter, r *http.Request) {
		answer, err := t.serveEnrol(w, r)
		if err != nil {
			t.refuse(w, err)
			return
		}
		answer.NATS = natsURL()
		reply(w, http.StatusOK, answer)
	})
	mux.HandleFunc(wire.HeirPath, func(w http.ResponseWriter, r *http.Request) {
		answer, waits, err := t.serveHeir(w, r)
		switch {
		case err != nil:
			t.refuse(w, err)
		case waits:
			reply(w, http.StatusAccepted, wire.EnrolRefusal{Error: "it waits for the office"})
		default:
			answer.NATS = natsURL()
			reply(w, http.StatusOK, answer)
		}
	})
	return mux
}

// requestError is about the request as such.
type requestError struct {
	status int
	text   string
}

func (e *requestError) Error() string { return e.text }

// body reads a request, which has to be a POST of JSON, and not too long.
func body(w http.ResponseWriter, r *http.Request) ([]byte, error) {
	if r.Method != http.MethodPost {
		w.Header().Set("Allow", http.MethodPost)
		return nil, &requestError{http.StatusMethodNotAllowed, "an enrolment is a POST"}
	}
	// A page in a browser cannot send this type to another site unasked.
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return nil, &requestError{http.StatusUnsupportedMediaType, "an enrolment is application/json"}
	}
	b, err := io.ReadAll(http.MaxBytesReader(w, r.Body, wire.MaxEnrol))
	if tooLarge := (*http.MaxBytesError)(nil); errors.As(err, &tooLarge) {
		return nil, &requestError{http.StatusRequestEntityTooLarge, fmt.Sprintf("an enrolment has at most %d bytes", wire.MaxEnrol)}
	}
	if err != nil {
		return nil, &requestError{http.StatusBadRequest, "the enrolment did not arrive whole"}
	}
	return b, nil
}

func (t *Trust) serveEnrol(w http.ResponseWriter, r *http.Request) (wire.EnrolAnswer, error) {
	b, err := body(w, r)
	if err != nil {
		return wire.EnrolAnswer{}, err
	}
	req, err := decodeEnrol(b)
	if err != nil {
		return wire.EnrolAnswer{}, &requestError{http.StatusBadRequest, "not the form of an enrolment: " + err.Error()}
	}
	return t.Redeem(req)
}

// decodeEnrol reads the request strictly: each field once, by its exact name, and nothing else. Its errors do not show
// what was sent.
func decodeEnrol(b []byte) (wire.EnrolRequest, error) {
	var req, none wire.EnrolRequest
	missing := map[string]any{"secret": &req.Secret, "seal_key": &req.SealKey, "conn_key": &req.ConnKey, "software": &req.Software}
	d := json.NewDecoder(bytes.NewReader(b))
	if open, err := d.Token(); err != nil || open != json.Delim('{') {
		return none, errors.New("it is no object")
	}
	for d.More() {
		key, err := d.Token()
		name, ok := key.(string)
		if err != nil || !ok {
			return none, errors.New("it is no object")
		}
		to, ok := missing[name]
		if !ok {
			return none, errors.New("a field is not known here, or is there twice")
		}
		delete(missing, name)
		if err := d.Decode(to); err != nil {
			return none, fmt.Errorf("the field %s cannot be read", name)
		}
	}
	if _, err := d.Token(); err != nil {
		return none, errors.New("it is cut short")
	}
	if _, err := d.Token(); err != io.EOF {
		return none, errors.New("there is something behind its end")
	}
	if len(missing) > 0 {
		return none, errors.New("a field is missing: secret, seal_key, conn_key and software are needed")
	}
	return req, nil
}

// refuse turns any error into a status, words for the device, and a line in the log.
func (t *Trust) refuse(w http.ResponseWriter, err error) {
	status, text := http.StatusInternalServerError, "the centre could not enrol the device; its log says why"
	var request *requestError
	var wait *WaitError
	switch {
	case errors.As(err, &request):
		status, text = request.status, request.text
	case errors.As(err, &wait):
		status, text = http.StatusTooManyRequests, err.Error()
		w.Header().Set("Retry-After", strconv.Itoa(int((wait.Wait+time.Second-1)/time.Second)))
	case errors.Is(err, ErrPublicKeys):
		status, text = http.StatusBadRequest, err.Error()
	case errors.Is(err, ErrCode), errors.Is(err, ErrHeir):
		status, text = http.StatusForbidden, err.Error()
	case errors.Is(err, ErrHook):
		status, text = http.StatusServiceUnavailable, "the centre cannot write the enrolment down at the moment; try again"
	}
	if status >= http.StatusInternalServerError || t.refused.Now() { // anybody can ask, however often
		t.cfg.Log.Warn("enrolment refused", "status", status, "why", err)
	}
	reply(w, status, wire.EnrolRefusal{Error: text})
}

func reply(w http.ResponseWriter, status int, body any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(body)
}
