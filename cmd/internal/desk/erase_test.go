package desk_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"ullage/agent"
	"ullage/events"
)

const (
	person = "Ada Quay, who lets people in at night and whose number is on the gate of the north yard"
	other  = "the lid of the left tank closes badly and ought to be looked at before the winter comes"
)

// tablet is a real device of a centre, with its folder.
type tablet struct {
	*agent.Device
	t   *testing.T
	dir string
}

func (c *centre) tablet(name string) *tablet {
	c.t.Helper()
	d := &tablet{t: c.t, dir: filepath.Join(c.t.TempDir(), name)}
	if _, err := agent.Enrol(c.t.Context(), d.dir, "", c.newCode(name).String(), agent.Config{}); err != nil {
		c.t.Fatal(err)
	}
	d.open()
	return d
}

func (d *tablet) open() {
	d.t.Helper()
	var err error
	if d.Device, err = agent.Open(d.t.Context(), d.dir, agent.Config{Patience: 20 * time.Second}); err != nil {
		d.t.Fatal(err)
	}
	device := d.Device
	d.t.Cleanup(func() { device.Close() })
}

// keep records lines, syncs them, and returns the ids.
func (d *tablet) keep(lines ...string) (ids []string) {
	d.t.Helper()
	answers, err := d.Record(d.t.Context(), strings.NewReader(strings.Join(lines, "\n")))
	if err != nil {
		d.t.Fatal(err)
	}
	for _, a := range answers {
		ids = append(ids, a.ID.String())
	}
	d.sync()
	return ids
}

func (d *tablet) sync() {
	d.t.Helper()
	if _, err := d.Sync(d.t.Context(), nil); err != nil {
		d.t.Fatal(err)
	}
}

// pieces lists the digests of the keys in a folder of evidence that are not erased.
func pieces(t *testing.T, dir string) (all []string) {
	t.Helper()
	files, err := os.ReadDir(filepath.Join(dir, "evidence", "keys"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if !strings.HasPrefix(string(keyFile(t, dir, f.Name())), "ullage.gone") {
			all = append(all, f.Name())
		}
	}
	return all
}

func keyFile(t *testing.T, dir, digest string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "evidence", "keys", digest))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// search tells in which files of folders bytes stand; everything that is on the disk is looked through.
func search(t *testing.T, what []byte, dirs ...string) (found []string) {
	t.Helper()
	looked := 0
	for _, dir := range dirs {
		err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
			if err != nil || !e.Type().IsRegular() {
				return err
			}
			looked++
			b, err := os.ReadFile(path)
			if os.IsNotExist(err) { // a temporary file that went meanwhile
				return nil
			}
			if bytes.Contains(b, what) {
				found = append(found, path)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if looked < 10 {
		t.Fatalf("%d files in %v", looked, dirs)
	}
	return found
}

// restore puts back a copy of a folder that was made before.
func restore(t *testing.T, copied, dir string) {
	t.Helper()
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(dir, os.DirFS(copied)); err != nil {
		t.Fatal(err)
	}
}

func backup(t *testing.T, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "backup")
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return to
}

// erase asks for the erasure of pieces or records.
func (c *centre) erase(what ...string) (int, string) {
	c.t.Helper()
	b, err := json.Marshal(map[string]any{"what": what, "ground": "asked for by letter of 2 March", "by": "O1"})
	if err != nil {
		c.t.Fatal(err)
	}
	status, _, body := c.do(c.request("POST", "/api/erasures", string(b)))
	return status, body
}

func (c *centre) erased(what ...string) string {
	c.t.Helper()
	status, body := c.erase(what...)
	if status != http.StatusOK {
		c.t.Fatalf("%d %s", status, body)
	}
	return body
}

// erasures tells of each piece who has confirmed its erasure, and who has not.
func (c *centre) erasures() string {
	c.t.Helper()
	var list struct {
		Erasures []struct {
			Evidence, Ground, By string
			Confirmed            []struct{ Device string }
			Waiting              []string
		}
		NotOrdered []string `json:"not_ordered"`
	}
	if err := json.Unmarshal([]byte(c.get("/api/erasures")), &list); err != nil {
		c.t.Fatal(err)
	}
	var s []string
	for _, e := range list.Erasures {
		one := e.Evidence[:4] + ":"
		for _, d := range e.Confirmed {
			one += " " + d.Device
		}
		s = append(s, one+" |"+strings.Join(append([]string{""}, e.Waiting...), " "))
		if e.Ground != "asked for by letter of 2 March" || e.By != "O1" {
			c.t.Errorf("%+v", e)
		}
	}
	for _, d := range list.NotOrdered {
		s = append(s, d[:4]+" not ordered")
	}
	return strings.Join(s, "; ")
}

// TestErasure: the bytes are gone from the disks of the centre and of the device, and everything else stands.
func TestErasure(t *testing.T) {
	c := newCentre(t)
	c.record(strings.Replace(site, "Quay shed", person, 1), washer)
	one, two := c.tablet("tab-1"), c.tablet("tab-2")
	ids := one.keep(arrival, `{"kind":"note.written","site":"s-1","machine":"m-1","by":"T1","body":{"text":"`+person+`"}}`,
		`{"kind":"note.written","site":"s-1","machine":"m-1","by":"T1","body":{"text":"`+other+`"}}`)
	office := filepath.Join(c.dir, "office")
	name := pieces(t, office)[0]
	var note string
	for _, r := range c.audit("device", "tab-1") {
		if r.ID == ids[1] {
			_, note, _ = strings.Cut(string(r.Body), "evidence:")
			note, _, _ = strings.Cut(note, `"`)
		}
	}
	secrets := map[string][]byte{"the text": []byte(person)}
	for what, key := range map[string][]byte{"office": keyFile(t, office, name), "device": keyFile(t, one.dir, note)} {
		secrets["the salt of the "+what], secrets["the key of the "+what] = key[16:48], key[48:80]
	}
	for what, b := range secrets {
		want := 1
		if what == "the text" {
			want = 0 // nowhere but encrypted
		}
		if found := search(t, b, c.dir, one.dir); len(found) != want {
			t.Errorf("before: %s is in %v", what, found)
		}
	}
	if body := c.get("/api/audit", "machine", "m-1") + c.get("/api/export") + c.get("/api/audit", "site", "s-1"); !strings.Contains(body, person) {
		t.Error("the name is not shown before")
	}

	// By the record's id at the office, and by the digest.
	answer := c.erased(c.audit("site", "s-1")[0].ID, note)
	if !strings.Contains(answer, name) || !strings.Contains(answer, note) {
		t.Errorf("erased: %s", answer)
	}
	if got, want := c.erasures(), fmt.Sprintf("%s: | tab-1 tab-2; %s: | tab-1 tab-2", name[:4], note[:4]); got != want {
		t.Errorf("before the devices hear of it: %s, want %s", got, want)
	}
	one.sync()
	if got, want := c.erasures(), fmt.Sprintf("%s: tab-1 | tab-2; %s: tab-1 | tab-2", name[:4], note[:4]); got != want {
		t.Errorf("after one has: %s, want %s", got, want)
	}
	one.Close()
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	check := func(c *centre) {
		t.Helper()
		for what, b := range secrets {
			if found := search(t, b, c.dir, one.dir); len(found) != 0 {
				t.Errorf("after: %s is in %v", what, found)
			}
		}
	}
	check(c)
	// Everything that was recorded stands, and says what is erased.
	if report, err := agent.Check(t.Context(), one.dir); err != nil || !report.OK || len(report.Notes) != 1 {
		t.Errorf("check of the device: %+v, %v", report, err)
	}
	var exported bytes.Buffer
	if err := agent.Export(t.Context(), one.dir, &exported); err != nil || strings.Contains(exported.String(), person) || !strings.Contains(exported.String(), other) {
		t.Errorf("export of the device: %v, %s", err, exported.String())
	}
	c = serve(t, c.dir)
	check(c)
	var rows struct {
		Records []struct {
			ID     string
			Kind   string
			State  string
			Body   json.RawMessage
			Erased []struct{ Evidence, On, By, Ground string }
		}
	}
	if err := json.Unmarshal([]byte(c.get("/api/audit", "site", "s-1")), &rows); err != nil {
		t.Fatal(err)
	}
	told := 0
	for _, r := range rows.Records {
		if r.State != "stands" {
			t.Errorf("%s is %s", r.Kind, r.State)
		}
		for _, e := range r.Erased {
			if !strings.Contains(string(r.Body), "evidence:"+e.Evidence) || e.By != "O1" || e.Ground != "asked for by letter of 2 March" || e.On == "" {
				t.Errorf("%s: %s: %+v", r.Kind, r.Body, e)
			}
			told++
		}
	}
	if told != 2 || len(rows.Records) != 5 {
		t.Errorf("%d of %d records tell of an erasure", told, len(rows.Records))
	}
	if page := c.page("/machines/m-1"); !strings.Contains(page, "evidence "+note[:12]+"… erased on ") || !strings.Contains(page, " by O1: asked for by letter of 2 March") {
		t.Errorf("the page does not say so: %s", page)
	}
	// Once more is no second order.
	before := len(c.audit("device", "office-1"))
	c.erased(note, name)
	if after := len(c.audit("device", "office-1")); after != before {
		t.Errorf("the office has %d records, and had %d", after, before)
	}
	// The one that was away for weeks.
	two.sync()
	if got, want := c.erasures(), fmt.Sprintf("%s: tab-1 tab-2 |; %s: tab-1 tab-2 |", name[:4], note[:4]); got != want {
		t.Errorf("at last: %s, want %s", got, want)
	}
	if log := c.log.String(); strings.Contains(log, person) {
		t.Errorf("the log: %s", log)
	}
}

// TestErasureAfterRestore: a backup that is put back brings nothing back: not while the centre runs, not at its start,
// not on a device.
func TestErasureAfterRestore(t *testing.T) {
	c := newCentre(t)
	c.record(strings.Replace(site, "Quay shed", person, 1), washer)
	one := c.tablet("tab-1")
	note := one.keep(`{"kind":"note.written","site":"s-1","by":"T1","body":{"text":"`+person+`"}}`, `{"kind":"note.written","site":"s-1","by":"T1","body":{"text":"`+other+`"}}`)[0]
	one.Close()
	office := filepath.Join(c.dir, "office")
	name := pieces(t, office)[0]
	offices, tablets := backup(t, filepath.Join(office, "evidence")), backup(t, one.dir)
	c.erased(note, name)
	one.open()
	one.sync()
	one.Close()

	// Under the feet of the centre.
	restore(t, offices, filepath.Join(office, "evidence"))
	if got := pieces(t, office); len(got) != 1 {
		t.Fatalf("the backup has %v", got)
	}
	for _, path := range []string{"/api/audit", "/api/export"} {
		if strings.Contains(c.get(path), person) {
			t.Errorf("%s shows it", path)
		}
	}
	if page := c.page("/machines/m-1"); strings.Contains(page, person) {
		t.Errorf("the page shows it")
	}
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	restore(t, offices, filepath.Join(office, "evidence"))
	c = serve(t, c.dir)
	if got := pieces(t, office); len(got) != 0 {
		t.Errorf("after the start the office has %v", got)
	}
	if log := c.log.String(); !strings.Contains(log, "it is erased again") || !strings.Contains(log, "pieces=1") {
		t.Errorf("the log does not say so: %s", log)
	}

	restore(t, tablets, one.dir)
	if got := pieces(t, one.dir); len(got) != 2 {
		t.Fatalf("the backup has %v", got)
	}
	one.open()
	one.sync()
	if got := pieces(t, one.dir); len(got) != 1 {
		t.Errorf("after a sync the device has %v", got)
	}
	one.keep(arrival)
	confirmations := 0
	for _, r := range c.audit("device", "tab-1") {
		if r.Kind == "erasure.done" {
			confirmations++
		}
	}
	if confirmations != 1 {
		t.Errorf("the device has confirmed it %d times", confirmations)
	}
}

// page is one of the office's pages, as a browser inside sees it.
func (c *centre) page(path string) string {
	c.t.Helper()
	b := c.newBrowser()
	c.browse(b, c.newLink())
	status, _, body := c.browse(b, path)
	if status != http.StatusOK {
		c.t.Fatalf("%s: %d %s", path, status, body)
	}
	return body
}

// TestHolds: what a hold forbids is not erased, in the words of the hold, whichever way it is asked for; and it is once
// the hold is lifted.
func TestHolds(t *testing.T) {
	c := newCentre(t)
	c.record(site, washer)
	one := c.tablet("tab-1")
	id := one.keep(`{"kind":"visit.opened","site":"s-1","visit":"v","by":"T1","body":{"reason":"planned"}}`,
		`{"kind":"note.written","site":"s-1","machine":"m-1","visit":"v","by":"T1","body":{"text":"`+person+`"}}`,
		`{"kind":"visit.closed","site":"s-1","visit":"v","by":"T1","body":{"outcome":"complete","text":"`+other+`"}}`)
	var rows struct {
		Records []struct {
			ID, Kind, Visit string
			Body            json.RawMessage
		}
	}
	if err := json.Unmarshal([]byte(c.get("/api/audit", "device", "tab-1")), &rows); err != nil {
		t.Fatal(err)
	}
	digests, visit := map[string]string{}, ""
	for _, r := range rows.Records {
		if r.Visit != "" {
			visit = r.Visit
		}
		if _, d, ok := strings.Cut(string(r.Body), "evidence:"); ok {
			digests[r.ID] = d[:64]
		}
	}
	note := digests[id[1]]
	if len(note) != 64 || visit == "" {
		t.Fatalf("%v", digests)
	}
	line := func(kind, on, pieces, why string) string {
		if pieces != "" {
			pieces = `"evidence":["evidence:` + pieces + `"],`
		}
		return fmt.Sprintf(`{"kind":"hold.%s","by":"O2"%s,"body":{%s"why":"%s"}}`, kind, on, pieces, why)
	}
	erasure := fmt.Sprintf(`{"kind":"erasure.done","by":"O1","body":{"evidence":["evidence:%s"],"ground":"asked for"}}`, note)
	refused := func(words ...string) {
		t.Helper()
		status, body := c.erase(note)
		if status != http.StatusConflict {
			t.Errorf("erase: %d %s", status, body)
		}
		byLine, _, other := c.do(c.request("POST", "/api/records", erasure))
		if byLine != http.StatusUnprocessableEntity {
			t.Errorf("record: %d %s", byLine, other)
		}
		for _, w := range append(words, "by O2") {
			if !strings.Contains(body, w) || !strings.Contains(other, w) {
				t.Errorf("it does not say %q: %s %s", w, body, other)
			}
		}
	}
	for _, on := range []struct{ on, pieces, words string }{
		{"", note, "it is held since"},
		{`,"visit":"` + visit + `"`, "", "visit " + visit},
		{`,"machine":"m-1"`, "", "machine m-1"},
		{`,"site":"s-1"`, "", "site s-1"},
		{`,"site":"s-1","machine":"m-1"`, "", "machine m-1"},
	} {
		c.record(line("placed", on.on, on.pieces, "a dispute"))
		refused(on.words, "a dispute")
		if got := c.get("/api/holds"); strings.Count(got, "a dispute") != 1 {
			t.Errorf("holds: %s", got)
		}
		c.record(line("lifted", on.on, on.pieces, "settled"))
	}
	// What is not held can be erased under holds; overlapping holds all have to go; a signature of the visit, on no
	// machine, is held with each machine there.
	c.record(line("placed", `,"machine":"m-1"`, "", "one"), line("placed", `,"site":"s-1"`, "", "two"), line("placed", "", note, "three"))
	if status, body := c.erase(digests[id[2]]); status != http.StatusConflict {
		t.Errorf("what closed the visit: %d %s", status, body)
	}
	unnamed := strings.Repeat("ab", 32)
	c.erased(unnamed)
	refused("one")
	c.record(line("lifted", `,"machine":"m-1"`, "", "settled"))
	refused("two")
	c.record(line("lifted", `,"site":"s-1"`, "", "settled"))
	refused("three")

	// Within one call.
	for _, x := range []struct {
		words string
		lines []string
	}{
		{"no hold stands on machine m-1", []string{line("lifted", `,"machine":"m-1"`, "", "twice")}},
		{"no hold names this piece", []string{line("lifted", "", unnamed, "never")}},
		{"say what is held", []string{line("placed", "", "", "nothing")}},
		{"say what is not held", []string{line("lifted", "", "", "nothing")}},
		{"at once", []string{line("lifted", "", note, "settled"), line("placed", "", note, "at once"), erasure}},
		{"site s-1", []string{line("lifted", "", note, "settled"), line("placed", `,"site":"s-1"`, "", "at once"), erasure}},
	} {
		status, _, body := c.do(c.request("POST", "/api/records", strings.Join(x.lines, "\n")))
		if status != http.StatusUnprocessableEntity || !strings.Contains(body, x.words) {
			t.Errorf("%s: %d %s", x.words, status, body)
		}
	}
	refused("three") // none of these calls wrote anything

	// A hold that is withdrawn, or put right, in the call that erases.
	hold := c.record(line("placed", "", unnamed, "by mistake"))[0].ID
	for _, fix := range []string{
		`{"kind":"record.withdrawn","by":"O1","body":{"target":"` + hold + `","why":"by mistake"}}`,
		`{"kind":"record.amended","by":"O1","body":{"target":"` + hold + `","why":"another","body":{"evidence":["evidence:` + note + `"],"why":"put right"}}}`,
	} {
		status, _, body := c.do(c.request("POST", "/api/records", line("lifted", "", note, "settled")+"\n"+fix+"\n"+erasure))
		if status != http.StatusUnprocessableEntity || !strings.Contains(body, "a call of its own") {
			t.Errorf("with a hold put right: %d %s", status, body)
		}
	}
	if status, _, body := c.do(c.request("POST", "/api/records", line("placed", `,"machine":"m-99"`, "", "odd"))); status != http.StatusOK || !strings.Contains(body, "nothing-there") {
		t.Errorf("on an unknown machine: %d %s", status, body)
	}
	c.record(line("lifted", "", note, "settled"), erasure)
	if status, _, body := c.do(c.request("POST", "/api/records", line("placed", "", note, "too late"))); status != http.StatusOK || !strings.Contains(body, "already-erased") {
		t.Errorf("too late: %d %s", status, body)
	}
	one.sync()
	if got := pieces(t, one.dir); slices.Contains(got, note) {
		t.Errorf("the device has it still")
	}
}

// TestCrossing: a hold and an erasure at one moment: whichever is first in the office's chain counts.
func TestCrossing(t *testing.T) {
	c := newCentre(t)
	const rounds = 12
	held := 0
	for n := range rounds {
		d := events.HashRecord([]byte{byte(n)}).String()
		var both sync.WaitGroup
		both.Go(func() {
			c.do(c.request("POST", "/api/records", `{"kind":"hold.placed","body":{"evidence":["evidence:`+d+`"],"why":"dispute"}}`))
		})
		var status int
		both.Go(func() { status, _ = c.erase(d) })
		both.Wait()
		hold, erasure := 0, 0
		for _, r := range c.audit("device", "office-1") {
			if strings.Contains(string(r.Body), d) && r.Kind == "hold.placed" {
				hold = r.Seq
			} else if strings.Contains(string(r.Body), d) && r.Kind == "erasure.done" {
				erasure = r.Seq
			}
		}
		switch {
		case hold == 0:
			t.Fatal("the hold is not there")
		case status == http.StatusOK && (erasure == 0 || erasure > hold):
			t.Errorf("erased with record %d, under the hold of record %d", erasure, hold)
		case status == http.StatusConflict && erasure != 0:
			t.Errorf("refused, and recorded with %d", erasure)
		case status == http.StatusConflict:
			held++
		case status != http.StatusOK:
			t.Errorf("status %d", status)
		}
	}
	t.Logf("%d of %d were held", held, rounds)
}

// TestBadErasures sends what is none.
func TestBadErasures(t *testing.T) {
	c := newCentre(t)
	short := c.record(`{"kind":"note.written","body":{"text":"short"}}`)[0].ID
	d := strings.Repeat("ab", 32)
	for _, x := range []struct {
		body, words string
		status      int
	}{
		{`[]`, "an object", 400},
		{`{"what":[],"ground":"x"}`, "an object", 400},
		{`{"what":["` + d + `"],"ground":" "}`, "an object", 400},
		{`{"what":["` + d + `"],"ground":"x","more":1}`, "an object", 400},
		{`{"what":["abc"],"ground":"x"}`, "neither the digest", 400},
		{`{"what":["` + strings.ToUpper(d) + `"],"ground":"x"}`, "neither the digest", 400},
		{`{"what":["0199f2f0-0000-7000-8000-000000000000"],"ground":"x"}`, "0199f2f0-0000-7000-8000-000000000000", 404},
		{`{"what":["` + short + `"],"ground":"x"}`, "names no evidence", 422},
		{`{"what":["` + d + `"],"ground":"x","by":"no code"}`, "by", 422},
		{`{"what":["` + d + `"],"ground":"` + strings.Repeat("x", 70<<10) + `"}`, "at most", 413},
	} {
		status, _, body := c.do(c.request("POST", "/api/erasures", x.body))
		if status != x.status || !strings.Contains(body, x.words) {
			t.Errorf("%.60s: %d %s", x.body, status, body)
		}
	}
	if got := c.get("/api/erasures"); got != `{"erasures":[],"not_ordered":[]}`+"\n" {
		t.Errorf("erasures: %s", got)
	}
	if got := c.get("/api/holds"); got != `{"holds":[]}`+"\n" {
		t.Errorf("holds: %s", got)
	}
}

// TestErasureByDevice: a device that erases on its own is flagged, and nothing is erased elsewhere for it.
func TestErasureByDevice(t *testing.T) {
	c := newCentre(t)
	c.record(site)
	office := filepath.Join(c.dir, "office")
	name := pieces(t, office)[0]
	one := c.tablet("tab-1")
	one.keep(`{"kind":"erasure.done","site":"s-1","by":"T1","body":{"evidence":["evidence:` + name + `"],"ground":"I wished it"}}`)
	if got, want := c.erasures(), name[:4]+" not ordered"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if body := c.get("/api/audit", "device", "tab-1"); !strings.Contains(body, "not-ordered") {
		t.Errorf("it is not flagged: %s", body)
	}
	if body := c.get("/api/audit", "site", "s-1"); !strings.Contains(body, "Quay shed") || len(pieces(t, office)) != 1 {
		t.Errorf("it is gone: %s", body)
	}
	c.erased(name)
	if body := c.get("/api/audit", "device", "tab-1"); strings.Contains(body, "not-ordered") {
		t.Errorf("it is flagged, and now ordered: %s", body)
	}
}

// TestErasureByLine: an order that was written as an entry line is carried out as well.
func TestErasureByLine(t *testing.T) {
	c := newCentre(t)
	c.record(site)
	office := filepath.Join(c.dir, "office")
	name := pieces(t, office)[0]
	c.record(`{"kind":"erasure.done","by":"O1","body":{"evidence":["evidence:` + name + `"],"ground":"asked for"}}`)
	if body := c.get("/api/audit", "site", "s-1"); strings.Contains(body, "Quay shed") {
		t.Errorf("it is shown: %s", body)
	}
	for end := time.Now().Add(20 * time.Second); len(pieces(t, office)) > 0; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("it is not erased")
		}
	}
}

// TestErasureFailsHere: where the centre cannot erase its copy, it says so, shows it to nobody, and a repeat completes it.
func TestErasureFailsHere(t *testing.T) {
	c := newCentre(t)
	c.record(site)
	office := filepath.Join(c.dir, "office")
	name := pieces(t, office)[0]
	key := filepath.Join(office, "evidence", "keys", name)
	inTheWay := filepath.Join(key, "in the way")
	if err := os.Rename(key, key+".aside"); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(inTheWay, 0o700); err != nil {
		t.Fatal(err)
	}
	if status, body := c.erase(name); status != http.StatusInternalServerError || !strings.Contains(body, "it is ordered, and shown to nobody") {
		t.Errorf("%d %s", status, body)
	}
	if err := os.RemoveAll(key); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(key+".aside", key); err != nil {
		t.Fatal(err)
	}
	if body := c.get("/api/audit", "site", "s-1"); strings.Contains(body, "Quay shed") || !strings.Contains(body, "asked for by letter") {
		t.Errorf("it is shown: %s", body)
	}
	c.erased(name)
	if got := pieces(t, office); len(got) != 0 {
		t.Errorf("it is here: %v", got)
	}
}

// TestOlderCentre: a centre that was put back to before the order learns from the devices that there was one.
func TestOlderCentre(t *testing.T) {
	c := newCentre(t)
	c.record(site)
	one := c.tablet("tab-1")
	note := one.keep(`{"kind":"note.written","site":"s-1","by":"T1","body":{"text":"` + person + `"}}`)[0]
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	before := backup(t, c.dir)
	c = serve(t, c.dir)
	c.erased(note)
	one.sync()
	digest := c.erasures()[:4]
	if err := c.stop(); err != nil {
		t.Fatal(err)
	}
	restore(t, before, c.dir)
	c = serve(t, c.dir)
	if got := c.erasures(); got != "" {
		t.Fatalf("the backup has %s", got)
	}
	one.sync()
	if got, want := c.erasures(), digest+" not ordered"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
