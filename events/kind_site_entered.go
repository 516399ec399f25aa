package events

// SiteEntered puts a site on the register, or changes what stands there of it.
type SiteEntered struct {
	Name        Digest   `f:"name"`
	Customer    Code     `f:"customer"`
	Zone        string   `f:"zone"` // IANA name
	Hours       Text     `f:"hours"`
	Access      Digest   `f:"access"`
	Induction   Text     `f:"induction"`
	Water       *Water   `f:"water"`
	Air         *Air     `f:"air"`
	Sockets     []string `f:"sockets"`
	DrainPermit string   `f:"drain_permit"`
	GeneratorID string   `f:"generator_id"`
	Lang        string   `f:"lang"`
	Refs        []Ref    `f:"refs"`
}

// Water is what comes from a site's tap.
type Water struct {
	HardnessMmolL    *float64 `f:"hardness_mmol_l" lo:"0" hi:"100"`
	ConductivityUsCm *float64 `f:"conductivity_us_cm" lo:"0" hi:"1e6"`
	Ph               *float64 `f:"ph" lo:"0" hi:"14"`
	PressureBar      *float64 `f:"pressure_bar" lo:"0" hi:"100"`
}

// Air is the compressed air that a site gives.
type Air struct {
	Psi     *float64 `f:"psi" lo:"0" hi:"1000"`
	FlowCfm *float64 `f:"flow_cfm" lo:"0" hi:"100000"`
}

// Ref is what somebody else calls a thing.
type Ref struct {
	Name  string `f:"name,need"` // whose reference it is
	Value string `f:"value,need"`
}

var _ = define[SiteEntered]("site.entered", 1, officeOnly)

func (*SiteEntered) Kind() Kind { return "site.entered" }

func (b *SiteEntered) check() error {
	return first(checkTag("zone", b.Zone, "/_+-", "not the name of a time zone, such as Europe/Berlin"), checkLang(b.Lang))
}
