package office

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"testing"

	"ullage/events"
)

// Parameters of a question are those that it may have, each once, whatever the address says.
func FuzzQuestion(f *testing.F) {
	f.Add("machine=gs-1&as-of=2026-03-02")
	f.Add("as-of=2026-03-02T09:05:00%2B01:00&known-at=9999-12-31")
	f.Add("machine=a&machine=b")
	f.Fuzz(func(t *testing.T, raw string) {
		q, err := readQuestion(&http.Request{URL: &url.URL{RawQuery: raw}}, "machine", "as-of", "known-at")
		if err != nil {
			if q != nil {
				t.Errorf("%q: %v with %v", raw, q, err)
			}
			return
		}
		for name := range q {
			if name != "machine" && name != "as-of" && name != "known-at" {
				t.Errorf("%q: a parameter %q", raw, name)
			}
		}
		if _, err := q.bounds(); err == nil && q["as-of"] != "" {
			if _, err := parseBound(q["as-of"]); err != nil {
				t.Errorf("%q: %v", raw, err)
			}
		}
	})
}

// A bound is a time that can be written, and lies within the times that a record can have.
func FuzzBound(f *testing.F) {
	f.Add("2026-03-02")
	f.Add("2026-03-02T09:05:00.123456789+01:00")
	f.Add("0000-01-01")
	f.Add("9999-12-31T23:59:59-23:59")
	f.Fuzz(func(t *testing.T, s string) {
		at, err := parseBound(s)
		if err != nil {
			return
		}
		if at < events.MinMillis || at > events.MaxMillis {
			t.Errorf("%q is %d, which no record can have", s, at)
		}
	})
}

// Objects of requests have known fields only, and nothing behind their end.
func FuzzBody(f *testing.F) {
	f.Add([]byte(`{"name":"billing","feed":"feed.north-yard.>","days":90}`))
	f.Add([]byte(`{"name":"billing"}{}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var q struct {
			Name string `json:"name"`
			Feed string `json:"feed"`
			Days int    `json:"days"`
		}
		r := &http.Request{Body: io.NopCloser(bytes.NewReader(b))}
		if readBody(r, &q, "an object") == nil && !json.Valid(b) {
			t.Errorf("%q is taken for an object", b)
		}
	})
}
