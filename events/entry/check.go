package entry

import (
	"encoding/hex"
	"errors"
	"math"
	"strings"

	"ullage/events"
	"ullage/events/pack"
)

// checkBody decodes the draft of a body and judges what it means.
func checkBody(schema *events.Schema, e *encoder) (events.Body, error) {
	body, err := meaning(schema, e.t.fill(true, nil))
	if err != nil {
		return nil, e.asGiven(err)
	}
	amended, ok := body.(*events.RecordAmended)
	if !ok || len(amended.Body) == 0 {
		return body, nil
	}
	r := e.target.record()
	inner, _ := events.SchemaOf(r.Kind, r.V) // corrected has found it
	if _, err := meaning(inner, amended.Body); err != nil {
		return nil, e.asGiven(within("body", err))
	}
	return body, nil
}

// asGiven puts what was given into an error: the texts, in place of the digests that stand for them in a draft, and the
// value that the error names, where it says nothing of it.
func (e *encoder) asGiven(err error) error {
	f := fieldOf(err)
	for i := range e.t.holes {
		if h := &e.t.holes[i]; f != nil && h.what == holeText {
			f.Value = strings.ReplaceAll(f.Value, evidencePrefix+hex.EncodeToString(h.draftDigest()), quote(h.text))
		}
	}
	if n := e.given; f != nil && f.Value == "" {
		for _, name := range strings.Split(f.Path, ".") {
			n = n.at(name)
		}
		if n != nil && !n.isEmpty() {
			f.Value = n.shown()
		}
	}
	return err
}

func meaning(schema *events.Schema, b []byte) (events.Body, error) {
	body, err := events.DecodeBody(schema.Kind, schema.V, b)
	if err != nil {
		return nil, value(err)
	}
	if schema.V != events.Newest(schema.Kind) {
		return body, nil // Check knows the newest version only
	}
	if err := events.Check(body); err != nil {
		return nil, value(err)
	}
	return body, nil
}

// value makes an error about a value of any error about a body. What we have written ourselves is canonical, but for
// a number that its field cannot hold; the names before such an error are its path.
func value(err error) error {
	if fieldOf(err) != nil {
		return err
	}
	var form *pack.Error
	if !errors.As(err, &form) {
		return bad("", "", "%v", err)
	}
	names := strings.Split(strings.TrimSuffix(err.Error(), ": "+form.Error()), ": ")
	return bad(strings.Join(names[1:], "."), "", "out of range: the number of a record begins with 1, other whole numbers end with %d", int64(math.MaxInt64))
}

// checkSize holds a record to the form of records and to their size, whatever its number and clock will be.
func (it *item) checkSize() error {
	if n := len(it.over); n > events.MaxList {
		return bad("body.target", "", "%d corrections of it stand side by side; the office must settle them first", n)
	}
	r := it.record
	r.ID = events.NewRecordID(0, [10]byte{})
	r.Seq, r.Clock = math.MaxUint64, math.MaxUint64
	r.Body = it.body.fill(true, make([]events.Hash, len(it.over)))
	_, err := events.EncodeRecord(&r)
	switch {
	case errors.Is(err, events.ErrTooLarge):
		return bad("body", "", "%v; give less in one record", err)
	case err != nil:
		return bad("", "", "%v", err)
	}
	return nil
}
