package journal

import (
	"fmt"
	"path/filepath"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ullage/agent/journal/disk/frail"
	"ullage/events"
)

// Random operations against a journal in a map.
func TestModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mem, l := frail.New(), newLedger()
		cfg := storyConfig(mem)
		mustDo(t, Create(cfg, testDevice, testKey))
		j, _, err := Open(cfg)
		mustDo(t, err)
		var seals []string
		t.Repeat(map[string]func(*rapid.T){
			"append": func(t *rapid.T) {
				notes := rapid.Bool().Draw(t, "notes")
				mustDo(t, l.add(j, rapid.IntRange(0, 5).Draw(t, "n"), rapid.IntRange(0, 900).Draw(t, "size"), notes))
				if notes {
					seals = append(seals, string(sealFrame(l.salt).Payload))
				}
			},
			"reopen": func(t *rapid.T) {
				mustDo(t, j.Close())
				var report Report
				j, report, err = Open(cfg)
				mustDo(t, err)
				if !report.Clean() {
					t.Fatalf("%+v", report)
				}
			},
			"read beside it": func(t *rapid.T) {
				r, err := OpenRead(cfg)
				mustDo(t, err)
				mustDo(t, l.verify(r))
				mustDo(t, r.Close())
			},
			"lose indexes": func(t *rapid.T) {
				for _, name := range mem.Names() {
					if filepath.Ext(name) == extIndex && rapid.Bool().Draw(t, "this one") {
						mustDo(t, mem.Remove(name))
					}
				}
				mustDo(t, j.Close())
				j, _, err = Open(cfg)
				mustDo(t, err)
			},
			"damage and restore": func(t *rapid.T) {
				lst, err := list(mem, "j")
				mustDo(t, err)
				if len(lst.segments) < 2 {
					return
				}
				mark := lst.segments[rapid.IntRange(0, len(lst.segments)-2).Draw(t, "segment")]
				tab, _, err := OpenTable(mem, mark)
				mustDo(t, err)
				i := rapid.IntRange(0, len(tab.recs)-1).Draw(t, "record")
				lost := mark + events.Seq(i)
				// Seals in front of a lost first record and behind a lost last one stay in what is set aside.
				if i == 0 {
					seals = without(seals, sealsBehind(mem, mark, tab, lost-1))
				}
				if i == len(tab.recs)-1 {
					seals = without(seals, sealsBehind(mem, mark, tab, lost))
				}
				mem.Flip(filepath.Join("j", baseName(mark, extSegment)), int(tab.recs[i].off)+12, 1)
				if _, gaps, err := readAll(j); err != nil || fmt.Sprint(gaps) != fmt.Sprint([]Range{{lost, lost}}) {
					t.Fatalf("gaps %v, %v, not %d", gaps, err, lost)
				}
				mustDo(t, j.Restore(lost, [][]byte{[]byte(l.acked[lost])}))
			},
			"": func(t *rapid.T) {
				mustDo(t, l.verify(j))
				if int(j.Head().Seq) != len(l.acked) {
					t.Fatalf("head %d of %d", j.Head().Seq, len(l.acked))
				}
				got, err := j.Seals(0, j.Head().Seq)
				mustDo(t, err)
				if fmt.Sprintf("%s", got) != fmt.Sprint(seals) {
					t.Fatalf("seals %s, want %s", got, seals)
				}
			},
		})
		mustDo(t, j.Close())
		report, err := Check(cfg, nil)
		mustDo(t, err)
		if !report.OK() {
			t.Fatalf("check: %+v", report)
		}
	})
}

func mustDo(t *rapid.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// sealsBehind gives the seals behind one record of a segment.
func sealsBehind(m *frail.Disk, mark events.Seq, tab *table, seq events.Seq) (all []string) {
	f, err := m.Open(filepath.Join("j", baseName(mark, extSegment)))
	if err != nil {
		return nil
	}
	for _, n := range tab.seals {
		if n.seq == seq {
			_, payload, _, _ := readFrame(f, mark, int64(n.off))
			all = append(all, string(payload))
		}
	}
	return all
}

func without(all, some []string) []string {
	return slices.DeleteFunc(all, func(s string) bool { return slices.Contains(some, s) })
}
