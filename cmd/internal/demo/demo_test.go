package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"ullage/testdata/demo"
)

func newPlay() *play {
	return &play{out: io.Discard, devices: map[string]*device{}, said: map[string]answer{
		"open": {ID: "id-open", Visit: "visit-open"}, "dip": {ID: "id-dip", Visit: "visit-open"},
	}}
}

// TestFill replaces what lines say of earlier ones: by the visit under visit and since, and by the id anywhere else.
func TestFill(t *testing.T) {
	p := newPlay()
	l, err := p.fillLines([]byte(`{"kind":"a","key":"k1","done":"2026-03-03T23:30:00+01:00","visit":"key:open","body":{"target":"key:dip","since":"key:dip","records":["key:open","plain"],"n":1.50,"deep":{"visit":"key:dip"}}}

{"kind":"b","done":"2026-03-02T08:00:00+01:00","visit":"v1","body":{"text":"a key: it is none"}}
{"kind":"c"}
`))
	if err != nil {
		t.Fatal(err)
	}
	want := `{"body":{"deep":{"visit":"visit-open"},"n":1.50,"records":["id-open","plain"],"since":"visit-open","target":"id-dip"},"done":"2026-03-03T23:30:00+01:00","key":"k1","kind":"a","visit":"visit-open"}
{"body":{"text":"a key: it is none"},"done":"2026-03-02T08:00:00+01:00","kind":"b","visit":"v1"}
{"kind":"c"}
`
	if string(l.text) != want {
		t.Errorf("got\n%swant\n%s", l.text, want)
	}
	if !slices.Equal(l.keys, []string{"k1", "", ""}) || l.String() != "3 lines of 2 March to 3 March" {
		t.Errorf("%q %s", l.keys, l)
	}
	for text, want := range map[string]string{
		"{\"kind\":\"a\"}\n{\"visit\":\"key:nobody\"}": `line 2: no earlier line has the key "nobody"`,
		"\n{":                     "line 2: ",
		`["a"]`:                   "line 1: ",
		`{"body":{"x":["key:"]}}`: `line 1: no earlier line has the key ""`,
	} {
		if l, err := p.fillLines([]byte(text)); err == nil || !strings.HasPrefix(err.Error(), want) || l.text != nil {
			t.Errorf("%s: %v", text, err)
		}
	}
	if _, err := p.read("no-such.ndjson"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%v", err)
	}
	for want, l := range map[string]lines{"2 lines": {keys: []string{"", ""}}, "1 lines of 2 March": {keys: []string{""}, from: "2026-03-02", to: "2026-03-02"}} {
		if l.String() != want {
			t.Errorf("got %q, want %q", l, want)
		}
	}
	if dayOf("soon") != "soon" {
		t.Error("dayOf")
	}
}

func TestListen(t *testing.T) {
	p := newPlay()
	again, err := p.listen([]byte("{\"seq\":1,\"id\":\"i1\",\"visit\":\"v\"}\n{\"seq\":2,\"id\":\"i2\",\"visit\":null,\"again\":true}\n"), []string{"", "k"})
	if err != nil || again != 1 || p.lines != 1 || p.said["k"].ID != "i2" {
		t.Errorf("%d %v %d %v", again, err, p.lines, p.said)
	}
	if _, err := p.listen([]byte("{\"id\":\"i1\"}\n"), []string{"", ""}); err == nil {
		t.Error("an answer is missing, and nothing is said")
	}
}

// TestScenario looks at the scenario as the demo reads it: its steps are known, its files are there, and none is left.
func TestScenario(t *testing.T) {
	steps, err := readSteps()
	if err != nil {
		t.Fatal(err)
	}
	used := map[string]bool{}
	for i, s := range steps {
		switch s.Do {
		case "office", "record", "kill":
			used[s.File] = true
			if b, err := demo.Files.ReadFile(s.File); err != nil || len(b) == 0 {
				t.Errorf("step %d: %v", i+1, err)
			}
		case "sync", "outage", "back":
		default:
			t.Errorf("step %d: %q is not known", i+1, s.Do)
		}
	}
	entries, err := demo.Files.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".ndjson") && !used[e.Name()] {
			t.Errorf("no step uses %s", e.Name())
		}
	}
	if err := newPlay().step(context.Background(), step{Do: "dance"}, "1/1"); err == nil || !strings.Contains(err.Error(), "dance") {
		t.Errorf("%v", err)
	}
}

func TestSummary(t *testing.T) {
	s := &summary{States: map[string]int{}, Say: []string{}, Look: []string{}}
	of, err := s.count([]byte(`{"records":[{"id":"1","device":"tab-1","kind":"visit.opened","state":"stands"},{"id":"2","device":"tab-1","kind":"x","state":"amended"},
		{"id":"2","device":"tab-1","kind":"x","state":"amended"},{"id":"3","device":"tab-2","kind":"x","state":"withdrawn"}]}`))
	if err != nil || s.Records != 4 || s.Doubled != 1 || s.Visits != 1 || of["tab-1"] != 2 || of["tab-2"] != 1 || s.States["amended"] != 2 {
		t.Errorf("%+v %v %v", s, of, err)
	}
	losses, err := s.grade([]byte(`{"ledgers":[{"machine":"m-1","spans":[{"grade":"none"},{"grade":"say","from":"2026-03-02T09:00:00+01:00","to":"2026-03-03T09:00:00+01:00","words":"w"},{"grade":"say"},
		{"grade":"look"}]},{"machine":"m-2","spans":[{"grade":"cannot-tell"}]},{"machine":"m-0","spans":[{"grade":"look"}]}]}`))
	if err != nil || s.Machines != 3 || !slices.Equal(s.Say, []string{"m-1"}) || !slices.Equal(s.Look, []string{"m-0", "m-1"}) || len(losses) != 4 {
		t.Errorf("%+v %v %v", s, losses, err)
	}
	if losses[0].Machine != "m-1" || days(losses[0]) != "2 March to 3 March" || days(loss{From: "2026-03-02"}) != "since 2 March" {
		t.Errorf("%+v", losses[0])
	}
	if b, err := json.Marshal(s); err != nil || strings.Contains(string(b), `"say":null`) {
		t.Errorf("%s %v", b, err)
	}
	for _, bad := range []string{"", "[]", `{"records":{}}`} {
		if _, err := s.count([]byte(bad)); err == nil {
			t.Errorf("%q counts", bad)
		}
	}
	for want, counts := range map[string]map[string]int{
		"2 stand, 1 is amended, 1 is withdrawn": {"stands": 2, "amended": 1, "withdrawn": 1}, "1 stands, 3 wait for the office": {"stands": 1, "held": 3}, "": {},
	} {
		if got := states(counts); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// TestDir takes a new folder, or an empty one, and overwrites nothing.
func TestDir(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	p := newPlay()
	if err := p.makeDir(""); err != nil || !strings.HasPrefix(p.dir, filepath.Join(dir, "ullage-demo-")) {
		t.Errorf("%s %v", p.dir, err)
	}
	fresh := filepath.Join(dir, "a", "b")
	for range 2 {
		if err := p.makeDir(fresh); err != nil || p.dir != fresh {
			t.Errorf("%s %v", p.dir, err)
		}
	}
	if err := os.WriteFile(filepath.Join(fresh, "mine"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := p.makeDir(fresh); err == nil || !strings.Contains(err.Error(), "not empty") {
		t.Errorf("%v", err)
	}
	if err := p.makeDir(filepath.Join(fresh, "mine")); err == nil {
		t.Error("a file is taken for a folder")
	}
}

// TestTell reads the closing words.
func TestTell(t *testing.T) {
	var b bytes.Buffer
	p := newPlay()
	p.out, p.dir = &b, "D"
	to := "2026-03-09T08:52:00+01:00"
	p.tell(&summary{
		Lines: 5, Records: 6, Visits: 1, Machines: 2, States: map[string]int{"stands": 6}, Restatements: 3,
		Devices: []deviceState{{status{Device: "tab-1", Records: 5, Received: 5}, true}},
	}, []loss{{"m-1", "say", "2026-03-03T09:24:00+01:00", "between 6 and 14 litres are not explained by what was measured", &to}})
	for _, want := range []string{
		"5 lines and 1 enrolments became 6 records of 1 visits to 2 machines; none is lost, none is doubled.",
		"tab-1: 5 records, 5 received, 0 waiting",
		"6 stand. Those that came late changed 3 earlier results.",
		"say   m-1, 3 March to 9 March: between 6 and 14 litres are not explained by what was measured.",
		filepath.Join("D", "out"),
	} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("%q is not in\n%s", want, b.String())
		}
	}
}
