package dossier

import (
	"bytes"
	"testing"
)

// The names and the bytes of a manifest are read from one form only, letters of hexadecimal digits apart.
func FuzzText(f *testing.F) {
	f.Add([]byte("tab-1/1"))
	f.Add([]byte("00ff"))
	f.Fuzz(func(t *testing.T, text []byte) {
		var n Name
		if n.UnmarshalText(text) == nil && n.String() != string(text) {
			t.Errorf("%q is read as %v", text, n)
		}
		if _, err := ParseName(string(text)); (err == nil) != (n != Name{}) {
			t.Errorf("%q is half read: %v, %v", text, n, err)
		}
		var h Hex
		if h.UnmarshalText(text) == nil {
			if again, err := h.MarshalText(); err != nil || !bytes.EqualFold(again, text) {
				t.Errorf("%q is read as %s, %v", text, again, err)
			}
		}
	})
}
