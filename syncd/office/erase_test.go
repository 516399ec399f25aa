package office

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"

	"ullage/events"
	"ullage/events/entry"
)

// An erasure, a hold or a lift is not judged, and so not written, while the office has records that the stream does not:
// one of them may be a hold. Every other line is no matter of this.
func TestJudgeUnsent(t *testing.T) {
	e := NewErasures(ErasuresConfig{Push: func(context.Context) error { return errAway }, Log: slog.New(slog.DiscardHandler)})
	e.Begin()
	pieces, why := []events.Digest{{1}}, events.Text{Plain: "dispute"}
	for _, body := range []events.Body{
		&events.ErasureDone{Evidence: pieces, Ground: why}, &events.HoldPlaced{Evidence: pieces, Why: why}, &events.HoldLifted{Evidence: pieces, Why: why},
	} {
		_, err := e.Judge(&events.Record{Kind: body.Kind()}, body)
		if field := (*events.FieldError)(nil); !errors.Is(err, errAway) || errors.As(err, &field) || !strings.Contains(err.Error(), "cannot be told") {
			t.Errorf("%s: %v", body.Kind(), err)
		}
	}
	for _, body := range []events.Body{&events.NoteWritten{Text: why}, &events.RecordWithdrawn{Why: why}, &events.RecordAmended{Why: why}} {
		if flags, err := e.Judge(&events.Record{Kind: body.Kind()}, body); flags != nil || err != nil {
			t.Errorf("%s: %v, %v", body.Kind(), flags, err)
		}
	}
}

// What is to be erased is erased once; one that is damaged, and one that was never here, are so too; one that fails is
// tried again.
func TestEraseOne(t *testing.T) {
	f := &folder{pieces: map[events.Digest]string{{1}: "here", {2}: "damaged", {3}: "fails"}}
	e := NewErasures(ErasuresConfig{Evidence: f, Log: slog.New(slog.DiscardHandler)})
	for _, c := range []struct {
		digest events.Digest
		had    bool
		err    error
	}{
		{events.Digest{1}, true, nil}, {events.Digest{1}, false, nil}, {events.Digest{2}, true, nil},
		{events.Digest{3}, false, errAway}, {events.Digest{3}, true, nil}, {events.Digest{4}, false, nil},
	} {
		if had, err := e.erase(c.digest); had != c.had || !errors.Is(err, c.err) {
			t.Errorf("%d: %v, %v", c.digest[0], had, err)
		}
	}
}

// folder is a folder of pieces in memory, some of which make trouble.
type folder struct {
	entry.Evidence
	pieces map[events.Digest]string
}

func (f *folder) Has(d events.Digest) (bool, error) {
	switch f.pieces[d] {
	case "damaged":
		return false, errors.New("it is damaged")
	case "", "gone":
		return false, nil
	}
	return true, nil
}

func (f *folder) Erased(d events.Digest) (bool, error) { return f.pieces[d] == "gone", nil }

func (f *folder) Erase(d events.Digest) error {
	if f.pieces[d] == "fails" {
		f.pieces[d] = "here"
		return errAway
	}
	f.pieces[d] = "gone"
	return nil
}
