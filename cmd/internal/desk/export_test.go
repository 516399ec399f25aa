package desk_test

import (
	"encoding/csv"
	"encoding/json"
	"slices"
	"strings"
	"testing"
)

var head = []string{"id", "device", "seq", "kind", "v", "done", "written", "received", "site", "machine", "visit", "by", "held", "body"}

func (c *centre) table() [][]string {
	c.t.Helper()
	rows, err := csv.NewReader(strings.NewReader(c.get("/api/export", "format", "csv"))).ReadAll()
	if err != nil {
		c.t.Fatal(err)
	}
	return rows
}

func TestExport(t *testing.T) {
	c := newCentre(t)
	if rows := c.table(); len(rows) != 1 || !slices.Equal(rows[0], head) {
		t.Errorf("of nothing: %v", rows)
	}
	if got := c.get("/api/export"); got != "" {
		t.Errorf("of nothing: %q", got)
	}
	c.record(site, washer, arrival, left,
		`{"kind":"note.written","site":"-1","by":"-2","machine":"-3","body":{"text":"=1+1, \"quoted\"\nand a second line"}}`,
		`{"kind":"note.written","by":"O1","body":{"text":"`+strings.Repeat("many words, ", 20)+`"}}`)

	rows := c.table()
	if len(rows) != 7 {
		t.Fatalf("%d rows", len(rows))
	}
	for i, row := range rows[1:] {
		if len(row) != len(head) || row[2] != string(rune('1'+i)) {
			t.Errorf("row %d: %q", i, row)
		}
		for k, cell := range row {
			if cell != "" && strings.ContainsRune("=+-@\t\r\n", rune(cell[0])) {
				t.Errorf("%s of row %d is a formula: %q", head[k], i, cell)
			}
		}
	}
	if got := rows[5]; got[8] != "'-1" || got[9] != "'-3" || got[11] != "'-2" || !strings.Contains(got[13], `=1+1, \"quoted\"\nand`) {
		t.Errorf("%q", got)
	}
	if got := rows[3]; got[3] != "reading.taken" || got[5] != "2026-03-02T09:00:00+01:00" || got[10] == "" || got[10] != rows[4][10] {
		t.Errorf("%q", got)
	}

	// The entry lines read back to the same content at another centre.
	lines := c.get("/api/export", "format", "ndjson")
	if lines != c.get("/api/export") {
		t.Error("ndjson is not what is given where no format is named")
	}
	if n := strings.Count(lines, "\n"); n != 6 || !strings.Contains(lines, strings.Repeat("many words, ", 20)) {
		t.Errorf("%d lines:\n%s", n, lines)
	}
	other := newCentre(t)
	other.record(strings.TrimSpace(lines))
	content := func(text string) (all []string) {
		for d := json.NewDecoder(strings.NewReader(text)); d.More(); {
			var line map[string]any
			if err := d.Decode(&line); err != nil {
				t.Fatal(err)
			}
			delete(line, "record")
			if line["visit"] != nil {
				line["visit"] = "some"
			}
			b, _ := json.Marshal(line)
			all = append(all, string(b))
		}
		return all
	}
	if got, want := content(other.get("/api/export")), content(lines); !slices.Equal(got, want) {
		t.Errorf("got %q\nwant %q", got, want)
	}
}
