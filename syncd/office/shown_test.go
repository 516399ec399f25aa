package office

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/projections/machine"
)

func TestNumbersForReading(t *testing.T) {
	for want, m := range map[string]projections.Measured{
		"0": {}, "12": {Value: 12}, "12.3": {Value: 12.34, U: 0.5}, "120": {Value: 120.4, U: 1}, "\u22122": {Value: -2}, "0.1": {Value: 0.06},
		"\u22120.5": {Value: -0.5}, "1000": {Value: 999.96, U: 0.1},
	} {
		if got := litres(m); got != want {
			t.Errorf("%v: got %q, want %q", m, got, want)
		}
	}
	if got := litres(projections.Measured{Value: -0.01}); got != "0" {
		t.Errorf("almost nothing: %q", got)
	}
	for name, want := range map[string]string{
		"ph": "pH", "temperature": "Temperature", "oil-depth": "Oil depth", "temperature@rinse": "Temperature, tank rinse",
		"filter-drop@position:filter": "Filter drop, position filter", "air-pressure@supply:air": "Air pressure of the air supply",
		"mass@vessel:p-31": "Mass, vessel p-31", "": "",
	} {
		if got := quantityName(name); got != want {
			t.Errorf("%s: got %q, want %q", name, got, want)
		}
	}
	if sentence("") != "" || sentence("ärger") != "Ärger." {
		t.Error("sentence")
	}
}

func TestBath(t *testing.T) {
	c := &clock{year: 2026}
	if c.bath(machine.State{}) != nil {
		t.Error("a bath that was never measured")
	}
	for want, state := range map[string]machine.State{
		`{"Litres":"100","Likely":"between 98 and 102 L","Done":{"Text":"2 Mar, 09:00","Exact":"2026-03-02T09:00:00+01:00"},"Since":""}`: {
			VolumeL: &machine.Volume{Value: 100, U: 1, Done: "2026-03-02T09:00:00+01:00"}, FlowsSinceL: &projections.Measured{}},
		`{"Litres":"1","Likely":"between 0 and 7 L","Done":{"Text":"2 Mar 2025, 09:00","Exact":"2025-03-02T09:00:00Z"},"Since":"5 L more were put in than taken out since"}`: {
			VolumeL: &machine.Volume{Value: 1, U: 3, Done: "2025-03-02T09:00:00Z"}, FlowsSinceL: &projections.Measured{Value: 5}},
		`{"Litres":"100","Likely":"","Done":{"Text":"2 Mar, 09:00","Exact":"2026-03-02T09:00:00Z"},"Since":"2.5 L more were taken out than put in since"}`: {
			VolumeL: &machine.Volume{Value: 100, Done: "2026-03-02T09:00:00Z"}, FlowsSinceL: &projections.Measured{Value: -2.5}},
	} {
		if got, _ := json.Marshal(c.bath(state)); string(got) != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
}

// TestClock: the offset is told once, and again where it is another.
func TestClock(t *testing.T) {
	winter, summer := "2026-03-02T09:00:00+01:00", "2026-07-02T09:00:00+02:00"
	c := &clock{year: 2026}
	c.settle(summer)
	if c.zone != "UTC+02:00" || c.stamp(summer).Text != "2 Jul, 09:00" || c.stamp(winter).Text != "2 Mar, 09:00 (UTC+01:00)" || c.stamp(winter).Exact != winter {
		t.Errorf("%+v %v %v", c, c.stamp(summer), c.stamp(winter))
	}
	c = &clock{year: 2026, loc: time.FixedZone("", 3*3600)} // the site's own rules
	c.settle(winter)
	if c.zone != "UTC+03:00" || c.stamp(winter).Text != "2 Mar, 11:00" || c.stamp(summer).Text != "2 Jul, 10:00" {
		t.Errorf("%+v %v %v", c, c.stamp(summer), c.stamp(winter))
	}
	if c.stamp("no time").Text != "no time" {
		t.Error("what is no time is not shown as it is")
	}
}

// TestInFact says when records were written whose clock cannot have been right, in the site's time.
func TestInFact(t *testing.T) {
	c := &clock{year: 2026, loc: time.FixedZone("", 3600), zone: "UTC+01:00"}
	at := func(s string) *string { return &s }
	from, to, likely := at("2026-03-02T09:00:00Z"), at("2026-03-12T13:00:00Z"), at("2026-03-09T08:00:00Z")
	slow, fast := events.Millis(40*86_400_000), events.Millis(-1)
	for want, r := range map[string]audit.Row{
		"the clock was 40 days slow: written between 2 Mar, 10:00 and 12 Mar, 14:00, likely 9 Mar, 09:00":            {NotBefore: from, NotAfter: to, Offset: &slow, Measured: "before", Likely: likely},
		"the clock was 40 days slow, as measured later: written by 12 Mar, 14:00 at the latest, likely 9 Mar, 09:00": {NotAfter: to, Offset: &slow, Measured: "after", Likely: likely},
		"the clock cannot have been right: written between 2 Mar, 10:00 and 12 Mar, 14:00":                           {NotBefore: from, NotAfter: to, Offset: &slow, Measured: "before"},
		"the clock cannot have been right: written after 2 Mar, 10:00":                                               {NotBefore: from},
	} {
		r.ID = "x"
		r.Written, r.Done, r.Flags = "2026-01-21T09:00:00Z", "2026-01-21T09:00:00Z", []projections.Flag{projections.ClockOff}
		got := c.records(audit.List{Records: []audit.Row{r}}, "")[0]
		if len(got.Notes) != 1 || got.Notes[0].Text != want || got.Written.Text != "21 Jan, 10:00" {
			t.Errorf("got %+v, written %v\nwant %s", got.Notes, got.Written, want)
		}
	}
	for want, offset := range map[string]events.Millis{
		"40 days slow": slow, "2 days fast": -36 * 3_600_000, "35 hours slow": 35 * 3_600_000, "2 hours slow": 90 * 60_000, "89 minutes fast": -89 * 60_000, "2 seconds slow": 1500, "a second fast": fast,
	} {
		if got := wrong(offset); got != want {
			t.Errorf("%d ms: %q, want %q", offset, got, want)
		}
	}
}

func TestContent(t *testing.T) {
	long := strings.Repeat("0123456789abcdef", 4)
	for body, want := range map[string]string{
		`{}`: ``,
		`{"method":"dip","quantity":"temperature","unit":"Cel","value":37.20}`: `method=dip quantity=temperature value=37.20 °C`,
		`{"unit":"[pH]","value":7}`: `value=7`,
		`{"unit":"h","count":3}`:    `unit=h count=3`,
		`{"volume":12,"unit":"[gal_us]","tested_dead":true,"leak":false}`: `volume=12 US gal tested dead=yes leak=no`,
		`{"tanks":[{"tank":"bath","length_mm":640},{"tank":"rinse"}]}`:    `tanks=tank bath, length mm 640; tank rinse`,
		`{"positions":["filter","brush"],"none":[]}`:                      `positions=filter, brush none=`,
		`{"evidence":"evidence:` + long + `","shown":"` + long + `"}`:     `evidence=not held here (0123456789ab…) shown=0123456789ab…`,
		`{"a":null}`:     `a=nothing`,
		`{"raw":"AAEC"}`: `raw=AAEC`,
		`not json`:       `=not json`,
		`null`:           `=null`,
		`{"body":{"state":{"pump":"off"},"value":1,"unit":"mm"},"big":123456789012345678}`: `body=state pump off, value 1 mm big=123456789012345678`,
	} {
		var got []string
		for _, p := range content(json.RawMessage(body)) {
			got = append(got, p.Name+"="+p.Value)
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s\n got %s\nwant %s", body, strings.Join(got, " "), want)
		}
	}
}

// TestFlagNames: every flag has words.
func TestFlagNames(t *testing.T) {
	for _, f := range []projections.Flag{projections.InFuture, projections.NotOnRegister, projections.NotStarted, projections.OddMeaning, projections.UnknownKind} {
		if flagName(f) == string(f) {
			t.Errorf("flag %s has no words", f)
		}
	}
	if flagName("new-one") != "new-one" || kindName("staff.signed-on") != "staff signed-on" {
		t.Error("names")
	}
}
