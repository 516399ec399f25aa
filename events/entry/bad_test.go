package entry

import (
	"errors"
	"strconv"
	"strings"
	"testing"

	"ullage/events"
)

// Each bad line names itself, the field, the value and what would be right.
func TestBadLines(t *testing.T) {
	const dip = `{"kind":"reading.taken","body":`
	deep := strings.Repeat("[", 40)
	tanks := strings.TrimSuffix(strings.Repeat(`"a",`, 513), ",")
	tests := []struct {
		line string
		want []string // parts of the error
	}{
		// JSON
		{`{"kind":"note.written"`, []string{"column 23", "the line ends", "',' or '}'"}},
		{`{"kind":"note.written",}`, []string{"column 24", `"}"`, "a name in quotes"}},
		{`{"kind":"note.written"} x`, []string{"column 25", `"x"`, "nothing may follow"}},
		{`{"kind":"note.written"}{}`, []string{"column 24", "nothing may follow"}},
		{`{'kind':1}`, []string{"column 2", "a name in quotes"}},
		{`{"kind" "x"}`, []string{"column 9", "':'"}},
		{`{"kind":tru}`, []string{"column 9", "a JSON value"}},
		{`{"kind":"a` + "\t" + `b"}`, []string{"column 11", "control character"}},
		{`{"kind":"a\x"}`, []string{"column 11", "no such escape"}},
		{`{"kind":"a\u12G4"}`, []string{"column 11", "no such escape"}},
		{`{"kind":"\ud800"}`, []string{"column 10", "half a surrogate pair"}},
		{`{"kind":"\ud800\u0041"}`, []string{"column 10", "half a surrogate pair"}},
		{`{"kind":"open`, []string{"the line ends", "closing quote"}},
		{"{\"kind\":\"a\xffb\"}", []string{"column 11", "UTF-8"}},
		{`{"a":01}`, []string{"column 7", "',' or '}'"}},
		{`{"a":-}`, []string{"column 7", "a digit"}},
		{`{"a":1.}`, []string{"column 8", "a digit"}},
		{`{"a":1e+}`, []string{"column 9", "a digit"}},
		{`{"a":[1 2]}`, []string{"column 9", "',' or ']'"}},
		{`{"a":+1}`, []string{"column 6", "a JSON value"}},
		{`{"a":NaN}`, []string{"column 6", "a JSON value"}},
		{`{"a":` + deep, []string{"column 21", "nested at most 16 deep"}},
		{`[]`, []string{"[…]", "a line is an object"}},
		{`"text"`, []string{`"text"`, "a line is an object"}},
		{`null`, []string{"null", "a line is an object"}},
		{strings.Repeat("x", MaxLine+1), []string{"at most 1048576 bytes"}},

		// repeated
		{`{"kind":"note.written","kind":"note.written"}`, []string{"kind", `"note.written"`, "twice"}},
		{dip + `{"quantity":"ph","value":7,"value":8}}`, []string{"body.value", "8", "twice"}},
		{dip + `{"quantity":"ph","state":{"pump":"on","pump":"off"}}}`, []string{"body.state.pump", `"off"`, "twice"}},
		{`{"kind":"note.written","record":{"a":[{},{"b":1,"b":1}]}}`, []string{"record.a[2].b", "twice"}},
		{`{"kind":"note.written","body":{"a":1,"b":1,"c":1,"d":1,"e":1,"f":1,"g":1,"h":1,"i":1,"j":1,"k":1,"l":1,"m":1,"n":1,"o":1,"p":1,"q":1,"r":1,"r":2}}`, []string{"body.r", "2", "twice"}},
		{`{"kind":"note.written","body":{"a":1,"b":1,"c":1,"d":1,"e":1,"f":1,"g":1,"h":1,"i":1,"j":1,"k":1,"l":1,"m":1,"n":1,"o":1,"p":1,"q":1,"a":2}}`, []string{"body.a", "2", "twice"}},

		// the envelope
		{`{}`, []string{"kind", "must be given"}},
		{`{"kind":""}`, []string{"kind", "must be given"}},
		{`{"kind":7}`, []string{"kind", "7", "a text should"}},
		{`{"kind":"note.writen"}`, []string{"kind", `"note.writen"`, "is it note.written?"}},
		{`{"kind":"vessel.thrown-away"}`, []string{"kind", "vessel.emptied or vessel.handed"}},
		{`{"kind":"nonsense"}`, []string{"kind", "noun.verb"}},
		{`{"kind":"no.such"}`, []string{"kind", `"no.such"`, "noun.verb, such as reading.taken"}},
		{`{"kind":"site.entered","body":{}}`, []string{"kind", `"site.entered"`, "the office's"}},
		{`{"kind":"device.revoked","body":{"device":"x"}}`, []string{"kind", "the office's"}},
		{`{"kind":"note.written","where":"x"}`, []string{"where", `"x"`, "no such field", "kind, done, site"}},
		{`{"kind":"note.written","a b":"x"}`, []string{`"a b"`, "no such field"}},
		{`{"kind":"note.written","seq":4}`, []string{"seq", "4", "never taken from outside"}},
		{`{"kind":"note.written","id":"x"}`, []string{"id", "never taken from outside"}},
		{`{"kind":"note.written","site":null}`, []string{"site", "null", "left out"}},
		{`{"kind":"note.written","body":null}`, []string{"body", "null", "left out"}},
		{`{"kind":"note.written","body":[]}`, []string{"body", "[…]", "an object"}},
		{`{"kind":"note.written","body":"text"}`, []string{"body", `"text"`, "an object"}},
		{`{"kind":"note.written","site":"a b"}`, []string{"site", `"a b"`, "letters, digits"}},
		{`{"kind":"note.written","machine":"_"}`, []string{"machine", `"_"`, "letters, digits"}},
		{`{"kind":"note.written","by":"` + strings.Repeat("x", 65) + `"}`, []string{"by", "1 to 64"}},
		{`{"kind":"note.written","visit":"no label"}`, []string{"visit", `"no label"`, "label", "UUID"}},
		{`{"kind":"note.written","visit":"00000000-0000-0000-0000-000000000000"}`, []string{"visit", "names no visit"}},
		{`{"kind":"note.written","key":"` + strings.Repeat("ö", 33) + `"}`, []string{"key", "66 bytes", "1 to 64"}},
		{`{"kind":"note.written","done":"2026-03-02"}`, []string{"done", `"2026-03-02"`, "2026-03-02T09:05:00+01:00"}},
		{`{"kind":"note.written","done":"2026-03-02T09:05:00"}`, []string{"done", "with its zone"}},
		{`{"kind":"note.written","done":"2026-02-29T09:05:00Z"}`, []string{"done", "with its zone"}},
		{`{"kind":"note.written","done":"2026-03-02T09:05:60Z"}`, []string{"done"}},
		{`{"kind":"note.written","done":"0000-12-31T00:00:00Z"}`, []string{"done", "years 1 to 9999"}},
		{`{"kind":"note.written","done":"9999-12-31T23:59:59-01:00"}`, []string{"done", "years 1 to 9999"}},
		{`{"kind":"note.written","done":1772442300}`, []string{"done", "1772442300", "a text should"}},
		{`{"kind":"note.written","record":"x"}`, []string{"record", "an object"}},
		{`{"kind":"note.written","record":{"id":"x"}}`, []string{"record.id", `"x"`, "UUID"}},
		{`{"kind":"note.written","record":{"id":7}}`, []string{"record.id", "7", "UUID"}},

		// the body
		{`{"kind":"note.written"}`, []string{"body"}},
		{dip + `{"quantity":"ph","value":7,"colour":"red"}}`, []string{"body.colour", `"red"`, "no such field", "quantity"}},
		{dip + `{"value":7}}`, []string{"body.quantity", "must be given"}},
		{dip + `{"quantity":"ph","value":"7"}}`, []string{"body.value", `"7"`, "a number should"}},
		{dip + `{"quantity":"ph","value":null}}`, []string{"body.value", "null", "left out"}},
		{dip + `{"quantity":"ph","value":1e400}}`, []string{"body.value", "1e400", "finite"}},
		{dip + `{"quantity":"ph","value":{"v":7}}}`, []string{"body.value", "{…}", "a number should"}},
		{dip + `{"quantity":"ph","value":15}}`, []string{"body.value", "15", "0 to 14"}},
		{dip + `{"quantity":"ph","value":7,"u":-1}}`, []string{"body.u", "-1", "at least 0"}},
		{dip + `{"quantity":"salt","value":7}}`, []string{"body.quantity", `"salt"`, "not one of ph, strength"}},
		{dip + `{"quantity":"volume","value":7,"unit":"gallon"}}`, []string{"body.unit", "gallon", "[gal_us]"}},
		{dip + `{"quantity":"ph","value":7,"instrument":"a/b"}}`, []string{"body.instrument", "a/b", "letters"}},
		{dip + `{"quantity":"ph","value":7,"lot":"` + long + `"}}`, []string{"body.lot", "at most 80"}},
		{dip + `{"quantity":"ph","value":7,"state":{"pump":"maybe"}}}`, []string{"body.state.pump", `"maybe"`, "on, off"}},
		{dip + `{"quantity":"ph","value":7,"state":[]}}`, []string{"body.state", "[…]", "an object"}},
		{dip + `{"quantity":"ph","not_read":"yes","why":"x"}}`, []string{"body.not_read", `"yes"`, "true or false should"}},
		{`{"kind":"note.written","body":{"text":"` + strings.Repeat("x", MaxPlain+1) + `"}}`, []string{"body.text", `"xxx`, "at most 65536"}},
		{`{"kind":"note.written","body":{"text":"evidence:` + strings.Repeat("AB", 32) + `"}}`, []string{"body.text", "evidence:ABAB", "64 lower-case"}},
		{`{"kind":"note.written","body":{"evidence":"evidence:` + strings.Repeat("0", 64) + `"}}`, []string{"body.evidence", "64 lower-case"}},
		{`{"kind":"note.written","body":{"text":7}}`, []string{"body.text", "7", "a text should"}},
		{`{"kind":"note.written","body":{"text":"x","evidence":"face"}}`, []string{"body.evidence", `: "face": `, "text or evidence"}},
		{`{"kind":"photo.taken","body":{"evidence":"x","size":1.5}}`, []string{"body.size", "1.5", "a whole number"}},
		{`{"kind":"photo.taken","body":{"evidence":"x","size":1e3}}`, []string{"body.size", "1e3", "a whole number"}},
		{`{"kind":"photo.taken","body":{"evidence":"x","size":99999999999999999999}}`, []string{"body.size", "too large", "9223372036854775807"}},
		{`{"kind":"photo.taken","body":{"evidence":"x","size":9223372036854775808}}`, []string{"body.size", "9223372036854775808", "out of range"}},
		{`{"kind":"photo.taken","body":{"evidence":"x","size":-1}}`, []string{"body.size", "-1", "at least 0"}},
		{`{"kind":"checkpoint.seen","body":{"origin":"o","size":1,"root":"abc"}}`, []string{"body.root", `"abc"`, "64 lower-case"}},
		{`{"kind":"checkpoint.seen","body":{"origin":"o","size":1,"root":"` + strings.Repeat("0", 64) + `"}}`, []string{"body.root", "zero"}},
		{`{"kind":"visit.opened","body":{"answers":"12"}}`, []string{"body.answers", `"12"`, "device/seq/hash"}},
		{`{"kind":"visit.opened","body":{"answers":7}}`, []string{"body.answers", "7", "a text should"}},
		{`{"kind":"visit.opened","body":{"answers":"tab-1/0/` + strings.Repeat("1", 64) + `"}}`, []string{"body.answers", "device/seq/hash"}},
		{`{"kind":"visit.opened","body":{"answers":"a b/1/` + strings.Repeat("1", 64) + `"}}`, []string{"body.answers", "device/seq/hash"}},
		{`{"kind":"visit.opened","body":{"answers":"tab-1/1/` + strings.Repeat("A", 64) + `"}}`, []string{"body.answers", "device/seq/hash"}},
		{`{"kind":"visit.opened","body":{"answers":"` + counterID(9).String() + `"}}`, []string{"body.answers", counterID(9).String(), "known"}},
		{`{"kind":"record.amended","body":{"why":"x","done":"2026-03-02T09:05:00Z"}}`, []string{"body.target", "must be given"}},
		{`{"kind":"record.amended","body":{"why":"x","body":{}}}`, []string{"body.body", "target"}},
		{`{"kind":"record.amended","body":{"target":"t/1/` + strings.Repeat("1", 64) + `","why":"x","body":{}}}`, []string{"body.body", "{…}", "not held here", "by its id"}},
		{`{"kind":"record.amended","body":{"target":"t/1/` + strings.Repeat("1", 64) + `","why":"x","by":"T1","over":["` + strings.Repeat("1", 64) + `"]}}`, []string{"body.over", "leave it out"}},
		{`{"kind":"record.withdrawn","body":{"target":"t/1/` + strings.Repeat("1", 64) + `"}}`, []string{"body.why", "must be given"}},
	}
	for _, tt := range tests {
		r := newRig("tab-1", false)
		// The line is the third; good ones before it, one with a text that would be kept, are not written either.
		bad := r.refuse(t, note(long), "", tt.line, note("after"))
		for _, part := range append(tt.want, "line 3: ") {
			if !strings.Contains(bad.Error(), part) {
				t.Errorf("%.200s\n got %v\nwant %s", tt.line, bad, part)
			}
		}
		if bad.Line != 3 || bad.Want == "" || len(bad.Error()) > 2000 {
			t.Errorf("%.200s: %#v", tt.line, bad)
		}
	}

	office := newRig("office-1", true)
	for line, want := range map[string]string{
		`{"kind":"machine.entered","body":{"class":"a","positions":[` + tanks + `]}}`:                                       "line 1: body.positions: 513 elements: a list may have at most 512",
		`{"kind":"machine.entered","body":{"class":"a","positions":["a",null]}}`:                                            "line 1: body.positions[2]: null: an element that is not known is left out",
		`{"kind":"machine.entered","body":{"class":"a","positions":["a","b c"]}}`:                                           `line 1: body.positions[2]: "b c": `,
		`{"kind":"machine.entered","body":{"class":"a","positions":[""]}}`:                                                  `line 1: body.positions[1]: "": an empty text is left out`,
		`{"kind":"machine.entered","body":{"class":"a","positions":"a"}}`:                                                   `line 1: body.positions: "a": a text stands here, a list […] should`,
		`{"kind":"machine.entered","body":{"class":"a","tanks":[{"tank":"bath","shape":"frustum"}]}}`:                       "line 1: body.tanks[1].bottom_diameter_mm: ",
		`{"kind":"machine.entered","body":{"class":"a","tanks":[{"tank":"bath","shape":"rectangular","length_mm":"900"}]}}`: `line 1: body.tanks[1].length_mm: "900": a text stands here, a number should`,
		`{"kind":"machine.entered","body":{"class":"a","tanks":[{"tank":"bath","shape":"rectangular","length":900}]}}`:      `line 1: body.tanks[1].length: 900: no such field; there are `,
		`{"kind":"device.enrolled","body":{"device":"t","keys":[{"use":"sealing","key":"!"}]}}`:                             `line 1: body.keys[1].key: "!": base64`,
		`{"kind":"range.lost","body":{"device":"t","from":0,"to":1}}`:                                                       `line 1: body.from: 0: `,
		`{"kind":"range.lost","body":{"device":"t","from":-1,"to":1}}`:                                                      `line 1: body.from: -1: out of range: `,
		`{"kind":"dispute.opened","body":{"visit":"a b","claim":"x"}}`:                                                      `line 1: body.visit: "a b": `,
	} {
		if bad := office.refuse(t, line); !strings.HasPrefix(bad.Error(), want) {
			t.Errorf("got  %v\nwant %s", bad, want)
		}
	}
}

// A record that would be too large is refused, whatever its number and what is filled in will take.
func TestTooLarge(t *testing.T) {
	r := newRig("office-1", true)
	tank := func(name string, rows int) string {
		table := make([]string, rows)
		for i := range table {
			table[i] = `{"depth_mm":` + strconv.Itoa(i) + `,"l":` + strconv.Itoa(i) + `}`
		}
		return `{"tank":"` + name + `","shape":"strapped","table":[` + strings.Join(table, ",") + `]}`
	}
	entered := func(last, pad int) string {
		tanks := []string{tank("a", 512), tank("b", 512), tank("c", 512), tank("d", 512), tank("e", last)}
		return `{"class":"c","serial":"` + strings.Repeat("x", pad) + `","tanks":[` + strings.Join(tanks, ",") + `]}`
	}
	record := func(line string) bool {
		t.Helper()
		_, err := r.Record(strings.NewReader(line))
		var bad *LineError
		if err != nil && (!errors.As(err, &bad) || bad.Field != "body" || !strings.Contains(bad.Want, "64 KiB")) {
			t.Fatalf("got %v", err)
		}
		return err == nil
	}
	first := func(last, pad int) bool {
		return record(sprint("kind", "machine.entered", "machine", "m", "body", entered(last, pad)))
	}
	id := r.record(t, `{"kind":"machine.entered","body":{"class":"c"}}`)[0].ID.String()
	again := func(last, pad int) bool { return record(amend(id, `"body":`+entered(last, pad))) }
	for _, try := range []func(last, pad int) bool{first, again} {
		lo, hi := 64, 192
		for hi-lo > 1 { // the most rows that are taken
			if mid := (lo + hi) / 2; try(mid, 1) {
				lo = mid
			} else {
				hi = mid
			}
		}
		taken := 0
		for pad := 1; pad <= 31; pad++ {
			if try(lo, pad) {
				taken++
			}
		}
		if taken == 0 || taken == 31 {
			t.Errorf("%d of 31 are taken", taken)
		}
		if n := len(r.journal.records[len(r.journal.records)-1]); n > events.MaxRecord || n < events.MaxRecord-30 {
			t.Errorf("the largest record that is taken has %d bytes", n)
		}
	}
}
