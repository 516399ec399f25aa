package reckon

import (
	"fmt"
	"strings"
	"time"

	"ullage/projections/handbook"
)

const (
	measureAtTool = "Measure at the tool while it runs. Air under pressure can hurt: never on people or clothing; blow off below 30 psi, with guards and eye protection (29 CFR 1910.242(b))."
	chemicals     = "Chemicals can burn eyes and skin: the safety data sheet comes first. A dose is advice; its inputs are shown."
	advice        = "An estimate, not a measurement."
	codesDiffer   = "Local codes differ and are often stricter; who makes the waste decides, with licensed help. Nothing here says that something is not hazardous."
	liftingHelp   = "Does not hold for one hand, kneeling, slippery floors or a load that moves: an open pail of fluid moves. Fill less, use a cart, or lift with two people."
)

var solids = []string{"The solids' formulas, as in every table book", "API MPMS chapter 2.2A for strapping tables"}

var tankKeys = []Key{
	word("shape", "the tank's", "rectangular", "vertical-cylinder", "horizontal-cylinder", "frustum", "cone-bottom", "strapped"),
	optional(number("length", "inside", "mm")), optional(number("width", "inside", "mm")), optional(number("diameter", "inside", "mm")),
	optional(number("bottom-diameter", "inside", "mm")), optional(number("top-diameter", "inside", "mm")), optional(number("cone-height", "of the cone alone", "mm")),
	optional(number("height", "over all, to the brim", "mm")), optional(text("table", "of a strapped tank: depth:litres,…")),
}

func tank(in values) (*handbook.Tank, error) {
	t := &handbook.Tank{
		Shape: handbook.Shape(in.word("shape")), Length: in.num("length"), Width: in.num("width"), Height: in.num("height"), Diameter: in.num("diameter"),
		BottomDiameter: in.num("bottom-diameter"), TopDiameter: in.num("top-diameter"), ConeHeight: in.num("cone-height"),
	}
	if !in.has("table") {
		return t, nil
	}
	for i, row := range strings.Split(in.word("table"), ",") {
		depth, litres, ok := strings.Cut(row, ":")
		d, err := parseNumber(depth)
		if err != nil || !ok {
			return nil, fmt.Errorf("table: row %d: %q is not depth:litres", i+1, row)
		}
		l, err := parseNumber(litres)
		if err != nil {
			return nil, fmt.Errorf("table: row %d: %q is not depth:litres", i+1, row)
		}
		t.Table = append(t.Table, handbook.Strap{Depth: d, Litres: l})
	}
	return t, nil
}

// one is a result of one field.
func one(field string, x any, err error) (result, error) {
	return result{fields: map[string]any{field: x}}, err
}

// Formulas are all that there are.
var Formulas = []Formula{
	{
		Name: "tank-volume", What: "what a tank holds up to a depth", Results: []string{"volume_l", "height_mm"}, Source: solids,
		Keys:    append(append([]Key{}, tankKeys...), number("depth", "of the liquid, from the bottom", "mm")),
		Example: "shape=rectangular length=36[in_i] width=24[in_i] height=20[in_i] depth=10.5[in_i]",
		do: func(in values) (result, error) {
			t, err := tank(in)
			if err != nil {
				return result{}, err
			}
			v, err := handbook.TankVolume(t, in.num("depth"))
			if err != nil {
				return result{}, err
			}
			return result{fields: map[string]any{"volume_l": v, "height_mm": handbook.TankHeight(t)}}, nil
		},
	}, {
		Name: "tank-depth", What: "how deep a volume stands in a tank", Results: []string{"depth_mm"}, Source: solids,
		Keys:    append(append([]Key{}, tankKeys...), number("volume", "of the liquid", "L")),
		Example: "shape=vertical-cylinder diameter=572 height=850 volume=100",
		do: func(in values) (result, error) {
			t, err := tank(in)
			if err != nil {
				return result{}, err
			}
			d, err := handbook.TankDepth(t, in.num("volume"))
			return one("depth_mm", d, err)
		},
	}, {
		Name: "strength", What: "the strength that a refractometer shows", Results: []string{"strength_pct", "u_pct"},
		Keys: []Key{
			number("brix", "the reading, zeroed on the site's water", "%"), number("factor", "of the product, from its data sheet", "1"),
			optional(number("u-brix", "standard uncertainty of the reading", "%")), optional(number("u-factor", "standard uncertainty of the factor", "1")),
		},
		Example: "brix=5.0 factor=1.5 u-brix=0.058 u-factor=0.058", Source: []string{"STLE, Tribology and Lubrication Technology, March 2009", "JCGM 100:2008"},
		Cautions: []string{"Oil in the fluid blurs the line: then the reading is less sure than its scale."},
		do: func(in values) (result, error) {
			c, u, err := handbook.Strength(in.num("brix"), in.num("factor"), in.num("u-brix"), in.num("u-factor"))
			return result{fields: map[string]any{"strength_pct": c, "u_pct": u}}, err
		},
	}, {
		Name: "dilute", What: "c1*v1 = c2*v2, for the one that is left out", Results: []string{"the one that is left out"},
		Keys: []Key{
			optional(number("c1", "strength before", "")), optional(number("v1", "volume before", "")),
			optional(number("c2", "strength after", "")), optional(number("v2", "volume after", "")),
		},
		Example: "c1=5 v1=0.85 v2=1.8", Source: []string{"The balance of what is dissolved; worked examples in OpenStax, Chemistry 2e, 3.3"}, Cautions: []string{chemicals},
		do: func(in values) (result, error) {
			x, err := handbook.Dilute(in.ptr("c1"), in.ptr("v1"), in.ptr("c2"), in.ptr("v2"))
			for _, key := range []string{"c1", "v1", "c2", "v2"} {
				if !in.has(key) {
					return one(key, x, err)
				}
			}
			return result{}, err
		},
	}, {
		Name: "blend", What: "how much of a strong and a weak fluid make one between", Results: []string{"high_volume", "low_volume"},
		Keys: []Key{
			number("high", "strength of the strong one", ""), number("low", "strength of the weak one", ""),
			number("target", "strength of both together", ""), number("total", "volume of both together", ""),
		},
		Example: "high=60 low=30 target=40 total=270", Source: []string{"The square of alligation"}, Cautions: []string{chemicals},
		do: func(in values) (result, error) {
			high, low, err := handbook.Blend(in.num("high"), in.num("low"), in.num("target"), in.num("total"))
			return result{fields: map[string]any{"high_volume": high, "low_volume": low}}, err
		},
	}, {
		Name: "top-up", What: "concentrate and water that bring a bath to a volume and a strength", Results: []string{"feasible", "concentrate_l", "water_l", "drain_l"},
		Keys: []Key{
			number("volume", "of the bath", "L"), number("to-volume", "that it is to have", "L"), number("strength", "of the bath", "%"), number("to-strength", "that it is to have", "%"),
			optional(number("concentrate", "its strength; 100", "%")), optional(number("water", "its strength; 0", "%")),
		},
		Example: "volume=150 strength=3 to-volume=200 to-strength=5", Source: []string{"The balances of volume and of what is dissolved"}, Cautions: []string{chemicals, advice},
		do: func(in values) (result, error) {
			p, err := handbook.TopUp(handbook.Bath{
				Volume: in.num("volume"), Strength: in.num("strength"), ToVolume: in.num("to-volume"), ToStrength: in.num("to-strength"),
				Concentrate: in.or("concentrate", 100), Water: in.or("water", 0),
			})
			r := result{fields: map[string]any{"feasible": p.Feasible, "concentrate_l": p.Concentrate, "water_l": p.Water, "drain_l": p.Drain}}
			if err == nil && !p.Feasible {
				r.cautions = []string{fmt.Sprintf("Not by adding alone: drain %.1f L first. What is drained is waste: it needs a vessel and a mark.", p.Drain)}
			}
			return r, err
		},
	}, {
		Name: "ph-slope", What: "what an ideal pH electrode shows for each pH", Results: []string{"mv_per_ph"}, Keys: []Key{number("temperature", "of the fluid", "Cel")},
		Example: "temperature=25", Source: []string{"W. Nernst; constants of CODATA 2018"},
		do: func(in values) (result, error) {
			x, err := handbook.NernstSlope(in.num("temperature"))
			return one("mv_per_ph", x, err)
		},
	}, {
		Name: "buffer-value", What: "how much base moves a buffered solution by one pH", Results: []string{"mol_per_l_per_ph"},
		Keys:    []Key{number("concentration", "of acid and salt together", "mol/L"), number("pka", "of the acid", "1"), number("ph", "of the solution", "[pH]")},
		Example: "concentration=0.1 pka=4.76 ph=4.76", Source: []string{"D. D. Van Slyke, J. Biol. Chem. 52 (1922) 525"},
		do: func(in values) (result, error) {
			x, err := handbook.BufferValue(in.num("concentration"), in.num("pka"), in.num("ph"))
			return one("mol_per_l_per_ph", x, err)
		},
	}, {
		Name: "buffer-ph", What: "the pH of a reference buffer at a temperature", Results: []string{"ph"},
		Keys:    []Key{word("buffer", "its recipe", "phthalate", "phosphate", "borate", "oxalate", "carbonate"), number("temperature", "of the buffer", "Cel")},
		Example: "buffer=phthalate temperature=25", Source: []string{"J. Res. NBS 81A (1977) for phthalate", "JIS Z 8802 for the others"},
		Cautions: []string{"Recipes differ by up to 0.02 pH: write down which buffer it was, not its nominal pH alone."},
		do: func(in values) (result, error) {
			x, err := handbook.BufferPH(handbook.Buffer(in.word("buffer")), in.num("temperature"))
			return one("ph", x, err)
		},
	}, {
		Name: "ph-dose", What: "the next dose, from what a trial dose did", Results: []string{"resolved", "estimate_ml", "offer_ml"},
		Keys: []Key{
			number("trial", "dose that was added and mixed in", "mL"), number("before", "pH before it", "[pH]"), number("after", "pH after it", "[pH]"),
			number("target", "pH", "[pH]"), number("u", "standard uncertainty of one reading; of a strip 0.29 of its step", "[pH]"),
		},
		Example: "trial=100 before=8.60 after=8.72 target=9.00 u=0.05", Source: []string{"The secant rule; that half is offered is common practice, no source"},
		Cautions: []string{chemicals, "Wait until it is mixed in, read again, and go on in halves; never past the target."},
		do: func(in values) (result, error) {
			d, err := handbook.DoseByResponse(in.num("trial"), in.num("before"), in.num("after"), in.num("target"), in.num("u"))
			r := result{fields: map[string]any{"resolved": d.Resolved, "estimate_ml": nil, "offer_ml": d.Offer}}
			if d.Resolved {
				r.fields["estimate_ml"] = d.Estimate
			} else {
				r.cautions = []string{"The change is smaller than two readings can tell apart: that is not resolved, and not zero. Nothing is offered."}
			}
			return r, err
		},
	}, {
		Name: "saturation", What: "the pressure of saturated water vapour", Results: []string{"pressure_pa"}, Keys: []Key{number("temperature", "of the water", "Cel")},
		Example: "temperature=25", Source: []string{"IAPWS-IF97, region 4"},
		do: func(in values) (result, error) {
			x, err := handbook.SaturationPressure(in.num("temperature"))
			return one("pressure_pa", x, err)
		},
	}, {
		Name: "latent-heat", What: "the heat that evaporates water", Results: []string{"kj_per_kg"}, Keys: []Key{number("temperature", "of the water", "Cel")},
		Example: "temperature=40", Source: []string{"IAPWS-IF97, by a polynomial within 0.001 %"},
		do: func(in values) (result, error) {
			x, err := handbook.LatentHeat(in.num("temperature"))
			return one("kj_per_kg", x, err)
		},
	}, {
		Name: "evaporation", What: "what a warm open surface loses", Results: []string{"kg_per_h", "low_kg_per_h", "high_kg_per_h"},
		Keys: []Key{
			word("law", "which", "carrier", "short", "still"), number("area", "of the open surface", "m2"), number("water", "its temperature", "Cel"),
			number("air", "its temperature", "Cel"), number("rh", "relative humidity of the air", "%"), optional(number("speed", "of the air over the surface, for carrier", "m/s")),
			optional(number("activity", "for short: 0.5 still, 1 busy, 1.5 splashing", "1")), optional(number("hours", "that the surface is open; gives the kilograms of these, too", "h")),
		},
		Example: "law=carrier area=1 water=43 air=20 rh=50 speed=0.1", Source: []string{"ASHRAE HVAC Applications, after W. H. Carrier", "VDI 2089:2010 for still"},
		Cautions: []string{advice, "No law here was tried with cleaner, a film of oil or a brush: the band from half to one and a half is the least to reckon with. A lid stops it."},
		do: func(in values) (result, error) {
			law := handbook.Law(in.word("law"))
			for key, of := range map[string]handbook.Law{"speed": handbook.Carrier, "activity": handbook.Short} {
				if law == of && !in.has(key) {
					return result{}, fmt.Errorf("%s is missing: the law %s takes it", key, law)
				}
			}
			b, err := handbook.Evaporation(law, handbook.Surface{
				Area: in.num("area"), Water: in.num("water"), Air: in.num("air"), RH: in.num("rh"), Speed: in.num("speed"), Activity: in.num("activity"),
			})
			r := result{fields: map[string]any{"kg_per_h": b.Value, "low_kg_per_h": b.Low, "high_kg_per_h": b.High}}
			if hours := in.num("hours"); in.has("hours") && err == nil {
				if hours < 0 {
					return result{}, fmt.Errorf("%w: %g hours; they are not below 0", handbook.ErrRange, hours)
				}
				r.fields["kg"], r.fields["low_kg"], r.fields["high_kg"] = b.Value*hours, b.Low*hours, b.High*hours
			}
			return r, err
		},
	}, {
		Name: "free-to-actual", What: "how much compressed air a flow of free air is", Results: []string{"flow_cfm"},
		Keys: []Key{
			number("flow", "of free air", "[cft_i]/min"), number("pressure", "above the atmosphere", "[psi]"),
			optional(number("temperature", "of the compressed air; 20", "Cel")), optional(number("reference-temperature", "of the free air; 20", "Cel")),
		},
		Example: "flow=19 pressure=80", Source: []string{"The law of ideal gases; atmosphere 14.7 psi"},
		do: func(in values) (result, error) {
			x, err := handbook.FreeToActual(in.num("flow"), in.num("pressure"), in.or("temperature", 20), in.or("reference-temperature", 20))
			return one("flow_cfm", x, err)
		},
	}, {
		Name: "hose-drop", What: "the pressure that an air hose takes, by three formulas", Results: []string{"a_psi", "b_psi", "c_psi", "left_low_psi", "left_high_psi", "in_range"},
		Keys: []Key{
			number("bore", "inside diameter", "[in_i]"), number("length", "of the hose", "[ft_i]"), number("flow", "of free air", "[cft_i]/min"), number("pressure", "at its beginning", "[psi]"),
		},
		Example: "bore=0.5 length=50 flow=19 pressure=90", Source: []string{"Handbook forms with the exponent 1.85 (a, b)", "E. G. Harris, Compressed Air (1910) (c)"},
		Cautions: []string{measureAtTool, "Couplings often take as much as the hose, and are not in it."},
		do: func(in values) (result, error) {
			d, err := handbook.HoseDrop(handbook.Hose{Bore: in.num("bore"), Length: in.num("length")}, in.num("flow"), in.num("pressure"))
			r := result{fields: map[string]any{"a_psi": d.A, "b_psi": d.B, "c_psi": d.C, "left_low_psi": d.LeftLow, "left_high_psi": d.LeftHigh, "in_range": d.InRange}}
			if err == nil && !d.InRange {
				r.cautions = []string{"The hose takes more than a tenth of the pressure: the formulas are not meant for that."}
			}
			return r, err
		},
	}, {
		Name: "air-hold", What: "how long a receiver holds", Results: []string{"minutes"},
		Keys: []Key{
			number("volume", "of the receiver", "[gal_us]"), number("from", "pressure at the beginning", "[psi]"), number("to", "pressure that must be left", "[psi]"),
			number("demand", "free air that goes out", "[cft_i]/min"), number("supply", "free air that comes in", "[cft_i]/min"),
		},
		Example: "volume=80 from=150 to=100 demand=19 supply=10", Source: []string{"Compressed Air and Gas Institute, Compressed Air and Gas Handbook"}, Cautions: []string{measureAtTool},
		do: func(in values) (result, error) {
			m, err := handbook.AirHold(in.num("volume"), in.num("from"), in.num("to"), in.num("demand"), in.num("supply"))
			r, err := one("minutes", m, err)
			if err == nil && in.num("supply") >= in.num("demand") {
				r.cautions = []string{"The supply covers the demand: it holds for as long as the compressor runs."}
			}
			return r, err
		},
	}, {
		Name: "air-check", What: "whether a tool gets its air through a hose", Results: []string{"enough", "why"},
		Keys: []Key{
			number("supply", "free air that the compressor delivers", "[cft_i]/min"), number("regulator", "set to", "[psi]"), number("need-pressure", "at the tool while it runs", "[psi]"),
			number("need-flow", "free air that the tool takes", "[cft_i]/min"), number("bore", "of the hose, inside", "[in_i]"), number("length", "of the hose", "[ft_i]"),
			optional(number("extra-drop", "of couplings, as measured", "[psi]")),
		},
		Example: "supply=25 regulator=90 need-pressure=80 need-flow=19 bore=0.5 length=50", Source: []string{"As hose-drop; the rule is common practice, no source"}, Cautions: []string{measureAtTool},
		do: func(in values) (result, error) {
			if in.num("extra-drop") < 0 {
				return result{}, fmt.Errorf("%w: an extra drop of %g psi; it is not below 0", handbook.ErrRange, in.num("extra-drop"))
			}
			a, why, err := handbook.AirCheck(handbook.AirNeed{
				Supply: in.num("supply"), Regulator: in.num("regulator"), NeedPressure: in.num("need-pressure"), NeedFlow: in.num("need-flow"),
				Hose: handbook.Hose{Bore: in.num("bore"), Length: in.num("length")}, ExtraDrop: in.or("extra-drop", -1),
			})
			return result{fields: map[string]any{"enough": string(a), "why": why}}, err
		},
	}, {
		Name: "reconcile", What: "measured flows, changed as little as makes balances hold", Results: []string{"values", "u", "chi2", "degrees", "worst"},
		Keys: []Key{
			list("values", "measured flows F1, F2, …, with commas between them"), list("u", "their standard uncertainties"), text("balances", "F1=F2+F3;…"),
		},
		Example:  "values=9.22,4.83,3.22 u=0.2766,0.1449,0.0966 balances=F1=F2+F3",
		Source:   []string{"Weighted least squares; S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection (2000)"},
		Cautions: []string{"A large chi2 is a wrong entry or a leak: then do not spread it over the flows. With one balance nobody can say which entry it is."},
		do: func(in values) (result, error) {
			balances, err := parseBalances(in.word("balances"), len(in.list("values")))
			if err != nil {
				return result{}, err
			}
			r, err := handbook.Reconcile(in.list("values"), in.list("u"), balances)
			worst := []string{}
			for _, i := range r.Worst {
				worst = append(worst, fmt.Sprintf("F%d", i+1))
			}
			return result{fields: map[string]any{"values": r.Values, "u": r.U, "chi2": r.Chi2, "degrees": r.Degrees, "worst": worst}}, err
		},
	}, {
		Name: "trend", What: "a robust line through readings, and whether there is a trend", Results: []string{"slope", "intercept_conover", "intercept_hollander", "s", "var_s", "z", "p", "low", "high"},
		Keys:    []Key{list("x", "with commas between them"), list("y", "as many")},
		Example: "x=1,2,3,4,5 y=1.26,1.27,1.12,1.16,1.03",
		Source:  []string{"P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379", "M. G. Kendall, Rank Correlation Methods (1975)", "R. O. Gilbert, Statistical Methods for Environmental Pollution Monitoring (1987)"},
		do: func(in values) (result, error) {
			t, err := handbook.TrendOf(in.list("x"), in.list("y"))
			r := result{fields: map[string]any{
				"slope": t.Slope, "intercept_conover": t.InterceptConover, "intercept_hollander": t.InterceptHollander, "s": t.S, "var_s": t.VarS, "z": t.Z, "p": t.P, "low": t.Low, "high": t.High,
			}}
			if n := len(in.list("x")); n < handbook.LeastClaim {
				r.cautions = []string{fmt.Sprintf("%d points are too few to claim a trend; %d are the least.", n, handbook.LeastClaim)}
			}
			return r, err
		},
	}, {
		Name: "waste-category", What: "how much waste a generator makes in a calendar month, in the words of 40 CFR 262.13", Results: []string{"category"},
		Keys:    []Key{number("acute", "acute hazardous waste", "kg"), number("non-acute", "other hazardous waste", "kg"), number("residue", "of an acute spill", "kg")},
		Example: "acute=0 non-acute=100 residue=0", Source: []string{"40 CFR 262.13, Table 1"}, Cautions: []string{codesDiffer},
		do: func(in values) (result, error) {
			c, err := handbook.WasteCategory(in.num("acute"), in.num("non-acute"), in.num("residue"))
			return one("category", string(c), err)
		},
	}, {
		Name: "store-until", What: "the last day of a time that is given in days", Results: []string{"date"},
		Keys:    []Key{text("start", "the day that is day 0, as 2026-01-15"), number("days", "that are given", "d")},
		Example: "start=2026-01-15 days=90", Source: []string{"Calendar; 40 CFR 262.16 and 262.17 for the days there"}, Cautions: []string{codesDiffer},
		do: func(in values) (result, error) {
			start, err := time.Parse(time.DateOnly, in.word("start"))
			if err != nil {
				return result{}, fmt.Errorf("start: %q is no date as 2026-01-15", in.word("start"))
			}
			days := in.num("days")
			if days != float64(int(days)) {
				return result{}, fmt.Errorf("%w: %g days; they are whole", handbook.ErrRange, days)
			}
			until, err := handbook.StoreUntil(start, int(days))
			return one("date", until.Format(time.DateOnly), err)
		},
	}, {
		Name: "lift", What: "how heavy a load nearly everybody can lift so, and how a load compares", Results: []string{"rwl_kg", "index"},
		Keys: []Key{
			number("horizontal", "from between the ankles to the hands, cm (units=us: inches)", ""), number("vertical", "from the floor to the hands at the start, cm (inches)", ""),
			number("travel", "of the hands, up or down, cm (inches)", ""), number("angle", "that the body is turned by", "deg"), number("rate", "lifts a minute", "/min"),
			number("hours", "of lifting in one go", "h"), word("coupling", "how the hands hold it", "good", "fair", "poor"), number("load", "kg (pounds)", ""), optional(word("units", "of all these", "si", "us")),
		},
		Example: "horizontal=30 vertical=20 travel=60 angle=0 rate=0.2 hours=1 coupling=fair load=21.5",
		Source:  []string{"NIOSH 94-110, Applications Manual for the Revised NIOSH Lifting Equation, revised 9/2021"}, Cautions: []string{liftingHelp},
		do: func(in values) (result, error) {
			l := handbook.Lift{
				Horizontal: in.num("horizontal"), Vertical: in.num("vertical"), Travel: in.num("travel"), Angle: in.num("angle"), Rate: in.num("rate"), Hours: in.num("hours"),
				Coupling: handbook.Coupling(in.word("coupling")), Units: handbook.SI,
			}
			kg := 1.0
			if in.word("units") == "us" {
				l.Units, kg = handbook.US, 0.45359237
			}
			if load := in.num("load"); load < 0 {
				return result{}, fmt.Errorf("%w: a load of %g; it is not below 0", handbook.ErrRange, load)
			}
			rwl, err := handbook.RecommendedWeight(l)
			r := result{fields: map[string]any{"rwl_kg": rwl * kg, "index": nil}}
			if rwl > 0 {
				r.fields["index"] = in.num("load") / rwl
			} else if err == nil {
				r.cautions = []string{"Nothing should be lifted in this way, so that there is no index."}
			}
			return r, err
		},
	}, {
		Name: "vessel-mass", What: "the mass of a vessel with what is in it", Results: []string{"mass_kg"},
		Keys:    []Key{number("volume", "of what is in it", "L"), number("density", "of that", "kg/L"), number("tare", "of the vessel alone", "kg")},
		Example: "volume=20 density=1.02 tare=1.1", Source: []string{"Mass is volume times density"}, Cautions: []string{"Sludge is denser than it looks: weigh it.", liftingHelp},
		do: func(in values) (result, error) {
			m, err := handbook.VesselMass(in.num("volume"), in.num("density"), in.num("tare"))
			return one("mass_kg", m, err)
		},
	},
}

// parseBalances reads balances of n flows, as F1=F2+F3;F2=F4.
func parseBalances(text string, n int) ([]handbook.Balance, error) {
	var all []handbook.Balance
	for i, one := range strings.Split(text, ";") {
		left, right, ok := strings.Cut(one, "=")
		if !ok || strings.Contains(right, "=") {
			return nil, fmt.Errorf("balances: %d: %q is not as F1=F2+F3", i+1, one)
		}
		b := make(handbook.Balance, n)
		for half, side := range []string{left, right} {
			sign := float64(1 - 2*half)
			for _, term := range strings.Split(side, "+") {
				var flow int
				if _, err := fmt.Sscanf(strings.TrimSpace(term), "F%d", &flow); err != nil || flow < 1 || flow > n || fmt.Sprintf("F%d", flow) != strings.TrimSpace(term) {
					return nil, fmt.Errorf("balances: %d: %q is none of the flows F1 to F%d", i+1, term, n)
				}
				b[flow-1] += sign
			}
		}
		all = append(all, b)
	}
	return all, nil
}
