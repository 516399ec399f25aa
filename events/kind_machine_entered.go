package events

import "fmt"

// MachineEntered puts a machine on the register, or changes what stands there of it.
type MachineEntered struct {
	Class       Code      `f:"class,need"`
	Serial      string    `f:"serial"`
	Owner       Word      `f:"owner" in:"customer,ours,hirer"`
	Tanks       []Tank    `f:"tanks"` // the first is the one meant where none is named
	WorkingL    *float64  `f:"working_l" lo:"0"`
	LeastL      *float64  `f:"least_l" lo:"0"`
	MarkL       *float64  `f:"mark_l" lo:"0"`
	Fluid       Code      `f:"fluid"`
	Positions   []Code    `f:"positions"`
	OpenAreaM2  *float64  `f:"open_area_m2" lo:"0"`
	Lid         Word      `f:"lid" in:"none,hinged,sliding,…"`
	OpenHWeek   *float64  `f:"open_h_week" lo:"0" hi:"168"`
	SetCel      *float64  `f:"set_cel" lo:"-50" hi:"150"`
	MakeUp      Word      `f:"make_up" in:"none,hand,float-valve,metered"`
	HourCounter *bool     `f:"hour_counter"`
	StandsInFor MachineID `f:"stands_in_for"`
}

// Tank is one tank of a machine. Sizes are inside sizes.
type Tank struct {
	Tank             Code     `f:"tank,need"`
	Shape            Word     `f:"shape,need" in:"rectangular,vertical-cylinder,horizontal-cylinder,frustum,cone-bottom,strapped"`
	LengthMm         *float64 `f:"length_mm" lo:"1" hi:"100000"`
	WidthMm          *float64 `f:"width_mm" lo:"1" hi:"100000"`
	HeightMm         *float64 `f:"height_mm" lo:"1" hi:"100000"`
	DiameterMm       *float64 `f:"diameter_mm" lo:"1" hi:"100000"`
	BottomDiameterMm *float64 `f:"bottom_diameter_mm" lo:"0" hi:"100000"`
	TopDiameterMm    *float64 `f:"top_diameter_mm" lo:"0" hi:"100000"`
	ConeHeightMm     *float64 `f:"cone_height_mm" lo:"0" hi:"100000"`
	Table            []Strap  `f:"table"` // of a strapped tank
}

// Strap is a row of a strapping table: the volume up to a depth.
type Strap struct {
	DepthMm float64 `f:"depth_mm,need" lo:"0"`
	L       float64 `f:"l,need" lo:"0"`
}

var _ = define[MachineEntered]("machine.entered", 1, officeOnly)

func (*MachineEntered) Kind() Kind { return "machine.entered" }

func (b *MachineEntered) check() error {
	for i, t := range b.Tanks {
		for _, before := range b.Tanks[:i] {
			if before.Tank == t.Tank {
				return &FieldError{fmt.Sprintf("tanks[%d].tank", i+1), string(t.Tank), "a tank of that name stands before"}
			}
		}
	}
	return checkRising(b.LeastL, "working_l", b.WorkingL)
}

// sizes names the sizes that a shape needs.
var sizes = map[Word][]string{
	"rectangular":         {"length_mm", "width_mm", "height_mm"},
	"vertical-cylinder":   {"diameter_mm", "height_mm"},
	"horizontal-cylinder": {"diameter_mm", "length_mm"},
	"frustum":             {"bottom_diameter_mm", "top_diameter_mm", "height_mm"},
	"cone-bottom":         {"diameter_mm", "bottom_diameter_mm", "cone_height_mm", "height_mm"},
}

func (t *Tank) check() error {
	if t.Shape == "strapped" {
		if len(t.Table) < 2 {
			return &FieldError{"table", "", "a strapped tank needs at least two rows of depth_mm and l"}
		}
		for i := 1; i < len(t.Table); i++ {
			if t.Table[i].DepthMm <= t.Table[i-1].DepthMm || t.Table[i].L < t.Table[i-1].L {
				return &FieldError{fmt.Sprintf("table[%d]", i+1), "", "depths must grow from row to row, and volumes must not fall"}
			}
		}
		return nil
	}
	given := map[string]*float64{
		"length_mm": t.LengthMm, "width_mm": t.WidthMm, "height_mm": t.HeightMm, "diameter_mm": t.DiameterMm,
		"bottom_diameter_mm": t.BottomDiameterMm, "top_diameter_mm": t.TopDiameterMm, "cone_height_mm": t.ConeHeightMm,
	}
	for _, name := range sizes[t.Shape] {
		if given[name] == nil {
			return &FieldError{name, "", "a " + string(t.Shape) + " tank needs it"}
		}
	}
	if t.Shape == "cone-bottom" {
		return checkRising(t.ConeHeightMm, "height_mm", t.HeightMm)
	}
	return nil
}
