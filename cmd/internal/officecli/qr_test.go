package officecli

import (
	"bytes"
	"io"
	"net/http"
	"strings"
	"testing"

	"github.com/boombuler/barcode/qr"
)

// modules reads a drawn code back: whether each module is dark, row by row, with the quiet zone.
func modules(t *testing.T, drawn string) (rows [][]bool) {
	t.Helper()
	for line := range strings.Lines(drawn) {
		line, ok := strings.CutSuffix(line, "\x1b[0m\n")
		line, also := strings.CutPrefix(line, "\x1b[38;5;16;48;5;231m")
		if !ok || !also {
			t.Fatalf("a line without its own colours: %q", line)
		}
		var upper, lower []bool
		for _, r := range line {
			switch r {
			case ' ', '▀', '▄', '█':
				upper, lower = append(upper, r == '▀' || r == '█'), append(lower, r == '▄' || r == '█')
			default:
				t.Fatalf("%q in a code", r)
			}
		}
		rows = append(rows, upper, lower)
	}
	return rows
}

func TestDrawQR(t *testing.T) {
	for _, text := range []string{"U1-", strings.Repeat("U1-abc", 30), strings.Repeat("x", 2000)} {
		var out bytes.Buffer
		if err := drawQR(&out, text); err != nil {
			t.Fatal(err)
		}
		want, err := qr.Encode(text, qr.L, qr.Unicode)
		if err != nil {
			t.Fatal(err)
		}
		size := want.Bounds().Dx()
		rows := modules(t, out.String())
		if n := len(rows); n != size+8 && n != size+9 { // two rows in a line
			t.Fatalf("%d rows for %d modules", n, size)
		}
		for y, row := range rows {
			if len(row) != size+8 {
				t.Fatalf("row %d has %d modules of %d", y, len(row), size)
			}
			for x, dark := range row {
				inside := x >= 4 && y >= 4 && x < size+4 && y < size+4
				wantDark := false
				if inside {
					r, _, _, _ := want.At(x-4, y-4).RGBA()
					wantDark = r == 0
				}
				if dark != wantDark {
					t.Fatalf("module %d, %d is dark: %v", x, y, dark)
				}
			}
		}
	}
	if err := drawQR(io.Discard, strings.Repeat("x", 4000)); err == nil {
		t.Error("a text that no code holds was drawn")
	}
}

// TestEnrolPrints: the code alone where another program reads it, the drawing where it is asked for.
func TestEnrolPrints(t *testing.T) {
	url := centre(t, func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, `{"code":"U1-A-B-C"}`) })
	base := []string{"enrol", "tab-1", "--centre", url, "--token-file", tokenFile(t)}
	if status, out, words := run("", base...); status != 0 || out != "U1-A-B-C\n" || !strings.Contains(words, "15 minutes") {
		t.Errorf("%d %q %q", status, out, words)
	}
	if status, out, words := run("", append(base, "--json")...); status != 0 || out != "{\"code\":\"U1-A-B-C\"}\n" {
		t.Errorf("%d %q %q", status, out, words)
	}
	status, out, words := run("", append(base, "--qr")...)
	drawn, ok := strings.CutPrefix(out, "U1-A-B-C\n")
	if status != 0 || !ok || len(modules(t, drawn)) < 21+8 {
		t.Errorf("%d %q %q", status, out, words)
	}
	if status, _, words := run("", append(base, "--qr", "--json")...); status != 2 || !strings.Contains(words, "--json") {
		t.Errorf("both: %d %q", status, words)
	}
}
