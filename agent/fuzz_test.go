package agent

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
)

// What is read as a frame of the copies is what appendFrame writes, and nothing is half read.
func FuzzFrame(f *testing.F) {
	f.Add(appendFrame(nil, frameRecord, []byte("a record")))
	f.Add(appendFrame(appendFrame(nil, frameRecord, nil), 9, []byte("more")))
	f.Add([]byte{0xff, 0xff, 0xff, 0xff, 0, 0, 0, 0, 1})
	f.Fuzz(func(t *testing.T, b []byte) {
		in := bytes.NewReader(b)
		var again []byte
		for {
			kind, payload, err := readFrame(in)
			if err != nil {
				if !errors.Is(err, io.EOF) && !errors.Is(err, errFrame) || payload != nil {
					t.Errorf("%x: %v with %d bytes", b, err, len(payload))
				}
				break
			}
			again = appendFrame(again, kind, payload)
		}
		if !bytes.HasPrefix(b, again) {
			t.Errorf("%x is read as %x", b, again)
		}
	})
}

// The files by which a device knows itself and its centre are read whole or not at all.
func FuzzHome(f *testing.F) {
	f.Add([]byte(`{"format":1,"device":"tab-1","nats":"nats://127.0.0.1:4222","jwt":"x","seal_key":"AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA="}`))
	f.Add([]byte(`[{"gate":"gate-1","key":"AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA="}]`))
	h := home(f.TempDir())
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, path := range []string{h.device(), h.gates()} {
			if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if id, err := h.read(); err != nil && id.Device != "" {
			t.Errorf("half filled: %+v with %v", id, err)
		}
		if gates, err := h.readGates(); err != nil && gates != nil {
			t.Errorf("half filled: %v with %v", gates, err)
		}
	})
}
