package page

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "write the golden files anew")

func at(s string) time.Time {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		panic(err)
	}
	return t
}

// states are those that the page can be in.
var states = map[string]Data{
	"new": {Device: "tab-1", Now: at("2026-03-02T10:00:00+01:00")},
	"waiting": {
		Device: "tab-1", Now: at("2026-03-02T10:00:00+01:00"), Records: 120, Received: 108, Waiting: 12,
		Why: "no network", Since: at("2026-03-02T09:40:12+01:00"), LastSync: at("2026-02-27T17:31:00+01:00"),
		Machines: []Machine{
			{"nw-01", "north-yard", &Volume{180, 1, "dip", at("2026-03-02T09:05:00+01:00")}},
			{"nw-02", "north-yard", &Volume{53.125, 0, "", at("2026-02-27T09:05:00-05:00")}},
			{"nw-03", "", nil},
		},
	},
	"alarm": {
		Device: "<b>&\"", Now: at("2026-03-02T10:00:00Z"), Records: 1, Waiting: 1, Why: "the centre holds <other> records",
		Alarms:   []string{"the centre holds <other> records", "a & b"},
		Machines: []Machine{{"<i>", "\"'", &Volume{1, 9, "<u>", at("2026-03-02T09:05:00Z")}}},
	},
	"received": {Device: "tab-1", Now: at("2026-03-02T10:00:00+01:00"), Records: 9, Received: 9, LastSync: at("2026-03-02T09:59:00+01:00")},
}

func TestGolden(t *testing.T) {
	for name, data := range states {
		got := Render(data)
		path := filepath.Join("testdata", name+".html")
		if *update {
			if err := os.WriteFile(path, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s: it is not the golden one (go test -update writes it anew):\n%s", name, got)
		}
	}
}

// void are the elements that have no end.
var void = regexp.MustCompile(`<(meta|link) [^>]*>`)

// TestNesting reads the pages as a strict reader of elements would.
func TestNesting(t *testing.T) {
	for name, data := range states {
		d := xml.NewDecoder(bytes.NewReader(void.ReplaceAll(Render(data), nil)))
		for {
			token, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Errorf("%s: %v", name, err)
				break
			}
			if e, ok := token.(xml.StartElement); ok && strings.Contains(" b i u script form input button ", " "+e.Name.Local+" ") {
				t.Errorf("%s: it has an element %s", name, e.Name.Local)
			}
		}
	}
}

// TestContrast holds text to 7:1 on what it stands on, in both sets of colours.
func TestContrast(t *testing.T) {
	for i, set := range strings.Split(style, "--paper:")[1:3] {
		role := map[string]float64{}
		for _, part := range strings.Split("--paper:"+set[:strings.Index(set, "}")], ";") {
			if name, value, ok := strings.Cut(strings.TrimSpace(part), ": #"); ok {
				role[strings.TrimPrefix(name, "--")] = luminance(value)
			}
		}
		for _, text := range []string{"ink", "soft", "warn"} {
			for _, on := range []string{"paper", "card"} {
				a, b := role[text], role[on]
				if c := (max(a, b) + 0.05) / (min(a, b) + 0.05); c < 7 {
					t.Errorf("set %d: %s on %s has %.2f", i, text, on, c)
				}
			}
		}
	}
}

// luminance is the relative luminance of a colour, rrggbb (WCAG 2.2).
func luminance(hex string) float64 {
	n, err := strconv.ParseUint(hex, 16, 32)
	if err != nil {
		panic(err)
	}
	part := func(c uint64) float64 {
		x := float64(c&255) / 255
		if x <= 0.04045 {
			return x / 12.92
		}
		return math.Pow((x+0.055)/1.055, 2.4)
	}
	return 0.2126*part(n>>16) + 0.7152*part(n>>8) + 0.0722*part(n)
}
