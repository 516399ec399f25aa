package agent_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ullage/agent"
	"ullage/events"
	"ullage/events/wire"
)

const (
	secretText = "Mrs Ada Quay of the night shift showed us in and asked not to be named in anything"
	otherText  = "the lid of the left tank closes badly and ought to be looked at before the winter"
)

// noted lets a device record both texts and sync; it returns the digest of the first.
func noted(t *testing.T, c *centre, d *agent.Device) events.Digest {
	t.Helper()
	record(t, d, `{"kind":"note.written","site":"yard","by":"T1","body":{"text":"`+secretText+`"}}`+"\n"+
		`{"kind":"note.written","site":"yard","by":"T1","body":{"text":"`+otherText+`"}}`)
	synced(t, d)
	var digest events.Digest
	c.with(func(k *copied) {
		for _, raw := range k.records {
			r, err := events.DecodeRecord(raw)
			if err != nil {
				t.Fatal(err)
			}
			if r.Kind == "note.written" {
				digest = events.EvidenceIn(r.Kind, r.V, r.Body)[0]
				return
			}
		}
	})
	return digest
}

func synced(t *testing.T, d *agent.Device) {
	t.Helper()
	if _, err := d.Sync(t.Context(), nil); err != nil {
		t.Fatalf("Sync: %v", err)
	}
}

// order lets the centre order an erasure.
func (c *centre) order(d ...events.Digest) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.orders = append(c.orders, d...)
}

// confirmed lists what each erasure.done of the device names that the centre has.
func confirmed(t *testing.T, c *centre) (all [][]events.Digest) {
	t.Helper()
	c.with(func(k *copied) {
		for _, raw := range k.records {
			if r, err := events.DecodeRecord(raw); err != nil {
				t.Fatal(err)
			} else if r.Kind == "erasure.done" {
				all = append(all, events.EvidenceIn(r.Kind, r.V, r.Body))
			}
		}
	})
	return all
}

// export is what the device shows of itself.
func export(t *testing.T, dir string) string {
	t.Helper()
	var b bytes.Buffer
	if err := agent.Export(t.Context(), dir, &b); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), otherText) {
		t.Errorf("another text is not shown: %s", b.String())
	}
	return b.String()
}

// isGone checks that a device neither shows nor holds a piece, and that nothing is wrong with it.
func isGone(t *testing.T, dir string, d events.Digest) {
	t.Helper()
	if got := export(t, dir); strings.Contains(got, secretText) || !strings.Contains(got, "evidence:"+d.String()) {
		t.Errorf("it is shown: %s", got)
	}
	if b, err := os.ReadFile(filepath.Join(dir, "evidence", "keys", d.String())); err != nil || !bytes.HasPrefix(b, []byte("ullage.gone.1\n")) {
		t.Errorf("its key file: %q, %v", b, err)
	}
	report, err := agent.Check(t.Context(), dir)
	if err != nil || !report.OK || len(report.Notes) != 1 || !strings.Contains(report.Notes[0], "pieces of evidence that records name were erased") {
		t.Errorf("check: %+v, %v", report, err)
	}
}

// The first hello after the order erases, and the same conversation brings the confirmation: one.
func TestErasure(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	digest := noted(t, c, d)
	if !strings.Contains(export(t, dir), secretText) {
		t.Fatal("it is not shown before")
	}
	c.order(digest, events.Digest{9})
	record(t, d, visit(1))
	synced(t, d)
	if got := confirmed(t, c); len(got) != 1 || len(got[0]) != 2 || got[0][0] != digest || got[0][1] != (events.Digest{9}) {
		t.Fatalf("confirmed: %v", got)
	}
	isGone(t, dir, digest)
	synced(t, d)
	d.Close()
	d = opened(t, dir, config())
	synced(t, d)
	if got := confirmed(t, c); len(got) != 1 {
		t.Errorf("confirmed %d times", len(got))
	}
	isGone(t, dir, digest)
	if s := status(t, d); s.Waiting != 0 || len(s.Alarms) != 0 {
		t.Errorf("status: %+v", s)
	}
}

// Where the confirmation cannot be sent, by this process or the next, it is not written again at each hello.
func TestErasureConfirmedOnce(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	digest := noted(t, c, d)
	c.order(digest)
	before := status(t, d).Records
	for range 3 {
		c.failing(func(_ int, verb wire.Verb) fault {
			if verb == wire.Push {
				return isRefuse
			}
			return fine
		})
		if _, err := d.Sync(t.Context(), nil); err == nil {
			t.Fatal("nothing was to be received")
		}
		d.Close()
		d = opened(t, dir, config())
	}
	if now := status(t, d); now.Records != before+1 || now.Waiting != 1 {
		t.Errorf("%d records, want one more than %d", now.Records, before)
	}
	c.failing(nil)
	c.order(events.Digest{9})
	synced(t, d)
	if got := confirmed(t, c); len(got) != 2 || len(got[1]) != 1 || got[1][0] != (events.Digest{9}) {
		t.Errorf("confirmed: %v", got)
	}
}

// A device at its enrolment writes nothing; it is told again.
func TestErasureAtEnrolment(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	c.order(events.Digest{9})
	if _, err := d.Fetch(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := confirmed(t, c); len(got) != 0 || status(t, d).Records != 0 {
		t.Errorf("confirmed: %v", got)
	}
	synced(t, d)
	if got := confirmed(t, c); len(got) != 1 {
		t.Errorf("confirmed: %v", got)
	}
}

// A folder of evidence that was put back is not shown before it is erased again; a folder that was put back whole is
// told again, erases again and confirms nothing twice.
func TestErasureAfterRestore(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	digest := noted(t, c, d)
	d.Close()
	before := copyFolder(t, dir)
	c.order(digest)
	d = opened(t, dir, config())
	synced(t, d)
	d.Close()
	isGone(t, dir, digest)

	pieces := filepath.Join(dir, "evidence")
	if err := os.RemoveAll(pieces); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(pieces, os.DirFS(filepath.Join(before, "evidence"))); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(export(t, dir), secretText) {
		t.Error("it is shown, having come back")
	}
	if report, err := agent.Check(t.Context(), dir); err != nil || report.OK || !strings.Contains(report.Problems[0].What, "is here again") {
		t.Errorf("check: %+v, %v", report, err)
	}
	opened(t, dir, config()).Close()
	isGone(t, dir, digest)

	if !strings.Contains(export(t, before), secretText) {
		t.Error("the backup does not hold it")
	}
	d = opened(t, before, config())
	synced(t, d)
	isGone(t, before, digest)
	record(t, d, visit(1))
	synced(t, d)
	if got := confirmed(t, c); len(got) != 1 {
		t.Errorf("confirmed %d times", len(got))
	}
}

// A crash between the list and the erasing: the next start completes it.
func TestErasureCutShort(t *testing.T) {
	c := newCentre(t)
	dir := enrolled(t, c)
	d := opened(t, dir, config())
	digest := noted(t, c, d)
	d.Close()
	if err := os.WriteFile(filepath.Join(dir, "erased.json"), []byte(`["`+digest.String()+`"]`), 0o600); err != nil {
		t.Fatal(err)
	}
	opened(t, dir, config())
	isGone(t, dir, digest)
}

// What cannot be erased, or written down, is not confirmed, is not shown, and keeps no record waiting; the next hello
// tries again.
func TestErasureFails(t *testing.T) {
	for name, at := range map[string]func(dir string, d events.Digest) string{
		"the list": func(dir string, _ events.Digest) string { return filepath.Join(dir, "erased.json") },
		"the key":  func(dir string, d events.Digest) string { return filepath.Join(dir, "evidence", "keys", d.String()) },
	} {
		t.Run(name, func(t *testing.T) {
			c := newCentre(t)
			dir := enrolled(t, c)
			d := opened(t, dir, config())
			digest := noted(t, c, d)
			path := at(dir, digest)
			if err := os.RemoveAll(path); err != nil {
				t.Fatal(err)
			}
			if err := os.MkdirAll(filepath.Join(path, "in the way"), 0o700); err != nil {
				t.Fatal(err)
			}
			c.order(digest, events.Digest{9})
			record(t, d, visit(1))
			synced(t, d)
			synced(t, d) // the same again, with what the first left in memory
			for _, list := range confirmed(t, c) {
				for _, x := range list {
					if x == digest {
						t.Error("it is confirmed")
					}
				}
			}
			if s := status(t, d); s.Waiting != 0 {
				t.Errorf("%d wait", s.Waiting)
			}
			if err := os.RemoveAll(path); err != nil {
				t.Fatal(err)
			}
			synced(t, d)
			isGone(t, dir, digest)
			n := 0
			for _, list := range confirmed(t, c) {
				n += len(list)
			}
			if n != 2 {
				t.Errorf("%d confirmed, want 2", n)
			}
		})
	}
}

// A list that cannot be read keeps nobody from recording, and check names it.
func TestErasureList(t *testing.T) {
	for _, content := range []string{"{", `["12"]`} {
		c := newCentre(t)
		dir := enrolled(t, c)
		if err := os.WriteFile(filepath.Join(dir, "erased.json"), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		d := opened(t, dir, config())
		record(t, d, visit(1))
		report, err := agent.Check(t.Context(), dir)
		if err != nil || len(report.Problems) != 1 || !strings.Contains(report.Problems[0].What, "erased.json") {
			t.Errorf("check: %+v, %v", report, err)
		}
		if err := agent.Export(t.Context(), dir, &bytes.Buffer{}); err == nil || !strings.Contains(err.Error(), "erased.json") {
			t.Errorf("export: %v", err)
		}
		c.order(events.Digest{9})
		synced(t, d)
		if got := confirmed(t, c); len(got) != 1 {
			t.Errorf("confirmed: %v", got)
		}
	}
}
