package projections_test

import (
	"testing"

	"ullage/events"
	"ullage/projections"
)

// Whatever a body says, reading it ends in a content or a flag, and what rests on it can be asked.
func FuzzRead(f *testing.F) {
	schemas := events.Schemas()
	f.Add(uint8(0), 1, []byte{0x80})
	f.Add(uint8(1), 99, []byte{0x80})
	f.Fuzz(func(t *testing.T, kind uint8, v int, body []byte) {
		k := schemas[int(kind)%len(schemas)].Kind
		c := projections.Read(k, v, body)
		if c.Body == nil && len(c.Flags) == 0 {
			t.Errorf("%s %d %x: neither content nor flag", k, v, body)
		}
		projections.Touches(&events.Record{Kind: k, V: v, Body: body}, c.Body)
	})
}
