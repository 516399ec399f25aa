package reckon

import (
	"encoding/json"
	"errors"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"ullage/projections/handbook"
)

// Every name of the handbook is there, once, and its example works: it needs no more than the example gives, and its result has
// what is promised.
func TestExamples(t *testing.T) {
	want := strings.Fields(`tank-volume tank-depth strength dilute blend top-up ph-slope buffer-value buffer-ph ph-dose saturation latent-heat evaporation
		free-to-actual hose-drop air-hold air-check reconcile trend waste-category store-until lift vessel-mass`)
	var names []string
	for i := range Formulas {
		f := &Formulas[i]
		names = append(names, f.Name)
		got, err := f.Do(strings.Fields(f.Example))
		if err != nil {
			t.Errorf("%s: %v", f.Name, err)
			continue
		}
		for _, key := range f.Results {
			if _, ok := got.Result[key]; !ok && f.Name != "dilute" {
				t.Errorf("%s: no %s in %v", f.Name, key, got.Result)
			}
		}
		if len(f.Source) == 0 || f.What == "" || len(got.Inputs) != len(strings.Fields(f.Example)) {
			t.Errorf("%s: a source, a word on it, and its inputs are told: %+v", f.Name, got)
		}
		if b, err := json.Marshal(got); err != nil || strings.Contains(string(b), `"cautions":null`) {
			t.Errorf("%s: %s, %v", f.Name, b, err)
		}
		// Each key that is needed is missed.
		for j, k := range f.Keys {
			args := slices.DeleteFunc(strings.Fields(f.Example), func(a string) bool { return strings.HasPrefix(a, k.Name+"=") })
			if _, err := f.Do(args); !k.Optional && (err == nil || !strings.Contains(err.Error(), k.Name+" is missing")) {
				t.Errorf("%s without key %d: %v", f.Name, j, err)
			}
		}
	}
	if !slices.Equal(names, want) {
		t.Errorf("names %q", names)
	}
}

func find(t *testing.T, name string) *Formula {
	t.Helper()
	i := slices.IndexFunc(Formulas, func(f Formula) bool { return f.Name == name })
	if i < 0 {
		t.Fatalf("there is no formula %q", name)
	}
	return &Formulas[i]
}

func do(t *testing.T, name, args string) map[string]any {
	t.Helper()
	got, err := find(t, name).Do(strings.Fields(args))
	if err != nil {
		t.Fatal(err)
	}
	return got.Result
}

func near(t *testing.T, what string, got any, want, tol float64) {
	t.Helper()
	if x, ok := got.(float64); !ok || math.Abs(x-want) > tol {
		t.Errorf("%s: %v, want %g", what, got, want)
	}
}

// Units are taken to the key's own; values as in the handbook's tables.
func TestValues(t *testing.T) {
	near(t, "a box in inches", do(t, "tank-volume", "shape=rectangular length=36[in_i] width=24[in_i] height=20[in_i] depth=10.5[in_i]")["volume_l"], 148.663, 0.001)
	near(t, "gallons", do(t, "tank-depth", "shape=vertical-cylinder diameter=572 height=850 volume=27.1537[gal_us]")["depth_mm"], 400, 0.01)
	near(t, "a table", do(t, "tank-volume", "shape=strapped table=0:0,50:11.2,100:25.9,150:42.4,200:59.1 depth=7.5cm")["volume_l"], 18.55, 1e-9)
	near(t, "fahrenheit", do(t, "saturation", "temperature=77[degF]")["pressure_pa"], 3169.75, 0.01)
	near(t, "dilute", do(t, "dilute", "c1=5 v1=0.85 v2=1.8")["c2"], 2.3611, 0.0001)
	near(t, "bar", do(t, "free-to-actual", "flow=19 pressure=5.515805834534bar")["flow_cfm"], 2.949, 0.0005)
	near(t, "scientific", do(t, "vessel-mass", "volume=2e1 density=1.02 tare=1.1")["mass_kg"], 21.5, 1e-9)
	if got := do(t, "top-up", "volume=195 strength=1 to-volume=200 to-strength=6"); got["feasible"] != false {
		t.Errorf("%v", got)
	}
	if got := do(t, "store-until", "start=2026-01-15 days=90"); got["date"] != "2026-04-15" {
		t.Errorf("%v", got)
	}
	if got := do(t, "air-hold", "volume=80 from=150 to=100 demand=9 supply=10"); got["minutes"] != nil {
		t.Errorf("%v", got)
	}
	if got := do(t, "lift", "horizontal=64 vertical=20 travel=60 angle=0 rate=0.2 hours=1 coupling=fair load=21.5"); got["index"] != nil || got["rwl_kg"] != 0.0 {
		t.Errorf("%v", got)
	}
	near(t, "pounds", do(t, "lift", "horizontal=10 vertical=22 travel=37 angle=0 rate=3 hours=1 coupling=fair load=35 units=us")["rwl_kg"], 34.81*0.45359237, 0.005)
	if got := do(t, "ph-dose", "trial=100 before=8.60 after=8.72 target=9 u=0.144"); got["resolved"] != false || got["estimate_ml"] != nil || got["offer_ml"] != 0.0 {
		t.Errorf("%v", got)
	}
	got := do(t, "reconcile", "values=101.91,64.45,34.65,64.20,36.44,98.88 u=1,1,1,1,1,1 balances=F1=F2+F3;F2=F4;F3=F5;F4+F5=F6")
	near(t, "reconcile", got["values"].([]float64)[0], 100.22, 0.005)
}

func TestBadArguments(t *testing.T) {
	for _, c := range []struct{ name, args, says string }{
		{"saturation", "temperature", "key=value"},
		{"saturation", "temp=20", `no "temp"; it takes temperature`},
		{"saturation", "temperature=20 temperature=20", "given twice"},
		{"saturation", "temperature=warm", "is no number"},
		{"saturation", "temperature=0x10", "right would be Cel"},
		{"saturation", "temperature=NaN", "is no number"},
		{"saturation", "temperature=20[psi]", "right would be Cel"},
		{"saturation", "temperature=400", "0 to 373.946"},
		{"evaporation", "law=short area=1 water=43 air=20 rh=50", "activity is missing"},
		{"evaporation", "law=short area=1m2 water=43 air=20 rh=50 activity=1 hours=-1", "not below 0"},
		{"evaporation", "law=short area=1[sft_i] water=43 air=20 rh=50 activity=1", `taken in "m2" only`},
		{"buffer-ph", "buffer=vinegar temperature=20", "none of phthalate"},
		{"store-until", "start=15.1.2026 days=90", "no date"},
		{"store-until", "start=2026-01-15 days=1.5", "whole"},
		{"reconcile", "values=1,2 u=1,1 balances=F1=F3", "none of the flows F1 to F2"},
		{"reconcile", "values=1,2 u=1,1 balances=F1", "not as F1=F2+F3"},
		{"reconcile", "values=1,b u=1,1 balances=F1=F2", "2: \"b\" is no number"},
		{"tank-volume", "shape=strapped table=0:0,50 depth=1", "row 2"},
		{"tank-volume", "shape=rectangular depth=1", "needs length, width and height"},
		{"dilute", "c1=5", "three of"},
		{"trend", "x=1,2,3 y=1,2,3", "too few points"},
		{"air-check", "supply=25 regulator=90 need-pressure=80 need-flow=19 bore=0.5 length=50 extra-drop=-1", "not below 0"},
		{"lift", "horizontal=10 vertical=22 travel=37 angle=0 rate=3 hours=9 coupling=fair load=35", "at most 8"},
	} {
		if _, err := find(t, c.name).Do(strings.Fields(c.args)); !errors.Is(err, ErrAsked) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s %s: %v; want it to say %q", c.name, c.args, err, c.says)
		}
	}
	if _, err := find(t, "saturation").Do([]string{"temperature=400"}); !errors.Is(err, handbook.ErrRange) {
		t.Errorf("%v", err)
	}
}

// Names of results end in their unit, as outputs elsewhere do.
func TestNames(t *testing.T) {
	name := regexp.MustCompile(`^[a-z0-9_]+$`)
	for i := range Formulas {
		for _, k := range Formulas[i].Results {
			if !name.MatchString(k) && Formulas[i].Name != "dilute" {
				t.Errorf("%s: %q", Formulas[i].Name, k)
			}
		}
	}
}

func FuzzDo(f *testing.F) {
	for i := range Formulas {
		f.Add(Formulas[i].Name, Formulas[i].Example)
	}
	f.Fuzz(func(t *testing.T, name, args string) {
		i := slices.IndexFunc(Formulas, func(f Formula) bool { return f.Name == name })
		if i < 0 {
			return
		}
		got, err := Formulas[i].Do(strings.Fields(args))
		if err != nil {
			if !errors.Is(err, ErrAsked) {
				t.Fatal(err)
			}
			return
		}
		if _, err := json.Marshal(got); err != nil {
			t.Fatalf("%s %s: %v", name, args, err)
		}
	})
}
