package events

// FluidSpecified says what a fluid is and where it is at its best.
type FluidSpecified struct {
	Fluid           Code     `f:"fluid,need"`
	Basis           Word     `f:"basis" in:"volume,mass"`  // of its strength
	Density         *float64 `f:"density" lo:"0.3" hi:"3"` // of the concentrate, kg/L at 20 degrees
	Factor          *float64 `f:"factor" lo:"0" hi:"1000"` // per cent of strength for one degree Brix
	PhLow           *float64 `f:"ph_low" lo:"0" hi:"14"`
	PhTarget        *float64 `f:"ph_target" lo:"0" hi:"14"`
	StrengthLow     *float64 `f:"strength_low" lo:"0" hi:"100"` // per cent
	StrengthHigh    *float64 `f:"strength_high" lo:"0" hi:"100"`
	TemperatureLow  *float64 `f:"temperature_low" lo:"-50" hi:"150"` // degrees Celsius
	TemperatureHigh *float64 `f:"temperature_high" lo:"-50" hi:"150"`
	Sds             *Sds     `f:"sds"`
	Hazards         []string `f:"hazards"`
	Un              string   `f:"un"` // number for transport
	FirstAid        Text     `f:"first_aid"`
	NeverWith       []string `f:"never_with"` // what it must not be mixed with
}

// Sds is a safety data sheet.
type Sds struct {
	Evidence Digest `f:"evidence,need"`
	Date     When   `f:"date"`
	Lang     string `f:"lang"`
}

func (s *Sds) check() error { return checkLang(s.Lang) }

var _ = define[FluidSpecified]("fluid.specified", 1, officeOnly)

func (*FluidSpecified) Kind() Kind { return "fluid.specified" }

func (b *FluidSpecified) check() error {
	return first(checkRising(b.PhLow, "ph_target", b.PhTarget), checkRising(b.StrengthLow, "strength_high", b.StrengthHigh),
		checkRising(b.TemperatureLow, "temperature_high", b.TemperatureHigh))
}
