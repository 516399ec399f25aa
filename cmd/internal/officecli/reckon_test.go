package officecli

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"ullage/projections/handbook/reckon"
)

func runReckon(args ...string) (status int, stdout, stderr string) {
	var out, errs bytes.Buffer
	status = Main(append([]string{"reckon"}, args...), strings.NewReader(""), &out, &errs)
	return status, out.String(), errs.String()
}

func TestReckon(t *testing.T) {
	for _, c := range []struct {
		args   string
		status int
		out    string
		errs   string
	}{
		{"", 0, "hose-drop       the pressure", ""},
		{"saturation temperature=25", 0, "pressure_pa 3169.75\n\nfrom temperature 25\nsource: IAPWS-IF97, region 4\n", ""},
		{"saturation temperature=25 --json", 0, `{"name":"saturation","inputs":{"temperature":25},"result":{"pressure_pa":3169.74`, ""},
		{"--json", 0, `{"formulas":[{"name":"tank-volume"`, ""},
		{"top-up --help", 0, "    water_l 44.5", ""},
		{"air-hold volume=80 from=150 to=100 demand=9 supply=10", 0, "minutes none", ""},
		{"horoscope", 2, "", "ullage reckon lists them"},
		{"saturation --temperature=25", 2, "", "unknown flag"},
		{"saturation temperature=400", 1, "", "from 0 to 373.946; see ullage reckon saturation --help"},
		{"saturation", 1, "", "temperature is missing: of the water, Cel"},
	} {
		status, out, errs := runReckon(strings.Fields(c.args)...)
		if status != c.status || !strings.Contains(out, c.out) || !strings.Contains(errs, c.errs) || (status != 0 && out != "") {
			t.Errorf("reckon %s: status %d, %s%s", c.args, status, out, errs)
		}
	}
}

// Every example runs as its help prints it.
func TestReckonExamples(t *testing.T) {
	for _, f := range reckon.Formulas {
		status, out, errs := runReckon(append([]string{f.Name, "--json"}, strings.Fields(f.Example)...)...)
		var got reckon.Result
		if err := json.Unmarshal([]byte(out), &got); status != 0 || err != nil || got.Name != f.Name || len(got.Source) == 0 {
			t.Errorf("%s: status %d, %s%s", f.Name, status, out, errs)
		}
		if _, help, _ := runReckon(f.Name, "--help"); !strings.Contains(help, "ullage reckon "+f.Name+" "+f.Example+"\n    ") {
			t.Errorf("%s: its help has no worked example: %s", f.Name, help)
		}
	}
}
