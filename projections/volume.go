package projections

import (
	"strings"

	"ullage/events"
	"ullage/events/unit"
	"ullage/projections/handbook"
)

// Bath is the name of a machine's tank where none is named: its first.
const Bath = "bath"

// Default standard uncertainties, which hold where a record gives none.
const (
	dipMm     = 3.0  // a stick or tape put into the tank
	pailL     = 0.25 // the marks on a pail
	scaleKg   = 0.1  // a scale; where nothing else is known a kilogram is taken as a litre
	ofTank    = 0.02 // of the value: the tank's own mark, a sight glass, a dip without a known shape
	ofMeter   = 0.02 // of the value: a flow meter
	ofEye     = 0.15 // of the value: an estimate
	unchecked = 2.0  // times the uncertainty, given or not, of a named instrument without a valid check
)

// TankOf says which tank of a machine a reading is of, by its name and its shape. Nothing and "bath" mean the first
// tank, unless one is called bath. A tank that does not stand on the register keeps its name; where there is no usable
// shape, shape is nil. ok is false where of names no tank but a vessel, a supply or a position.
func TankOf(entry *events.MachineEntered, of string) (name string, shape *handbook.Tank, ok bool) {
	name, tank, ok := tankOf(entry, of)
	if tank != nil {
		shape = ShapeOf(tank)
	}
	return name, shape, ok
}

// TankName is TankOf without the shape.
func TankName(entry *events.MachineEntered, of string) (name string, ok bool) {
	name, _, ok = tankOf(entry, of)
	return name, ok
}

func tankOf(entry *events.MachineEntered, of string) (name string, tank *events.Tank, ok bool) {
	if strings.Contains(of, ":") {
		return "", nil, false
	}
	if of == "" {
		of = Bath
	}
	if entry == nil || len(entry.Tanks) == 0 {
		return of, nil, true
	}
	for i := range entry.Tanks {
		if string(entry.Tanks[i].Tank) == of {
			return of, &entry.Tanks[i], true
		}
	}
	if of == Bath {
		return string(entry.Tanks[0].Tank), &entry.Tanks[0], true
	}
	return of, nil, true
}

// IsTank tells whether a flow's place is a tank of the machine, and its name as TankOf has it. Other codes are vessels,
// or places such as drain.
func IsTank(entry *events.MachineEntered, place events.Code) (name string, ok bool) {
	if place == "" {
		return "", false
	}
	if place != Bath {
		if entry == nil {
			return "", false
		}
		for i := range entry.Tanks {
			if entry.Tanks[i].Tank == place {
				return string(place), true
			}
		}
		return "", false
	}
	return TankName(entry, Bath)
}

// ShapeOf is a register's tank as the handbook's formulas take it; nil where its sizes make no tank.
func ShapeOf(t *events.Tank) *handbook.Tank {
	mm := func(x *float64) float64 {
		if x == nil {
			return 0
		}
		return *x
	}
	shape := &handbook.Tank{
		Shape: handbook.Shape(t.Shape), Length: mm(t.LengthMm), Width: mm(t.WidthMm), Height: mm(t.HeightMm),
		Diameter: mm(t.DiameterMm), BottomDiameter: mm(t.BottomDiameterMm), TopDiameter: mm(t.TopDiameterMm), ConeHeight: mm(t.ConeHeightMm),
	}
	for _, row := range t.Table {
		shape.Table = append(shape.Table, handbook.Strap{Depth: row.DepthMm, Litres: row.L})
	}
	if shape.Check() != nil {
		return nil
	}
	return shape
}

// Volume is the volume of a tank that a reading found, in litres with its uncertainty, and the tank's name. ok is false
// for whatever is no measured volume or level of a tank: other quantities, limits, what was not read, a level where the
// register knows no shape, and amounts that no tank can hold.
func (r *Register) Volume(f *Fact) (tank string, v unit.Value, ok bool) {
	b, is := f.Body.(*events.ReadingTaken)
	if !is {
		return "", unit.Value{}, false
	}
	entry := r.Entry(f.Machine, f.At)
	tank, shape, ok := TankOf(entry, b.Of)
	if !ok {
		return "", unit.Value{}, false
	}
	v, ok = ReadingLitres(b, shape, b.Instrument == "" || r.InstrumentChecked(b.Instrument, f.At))
	return tank, v, ok
}

// ReadingLitres turns a reading of a volume or a level into litres. shape is the tank's, or nil; checked is false for a
// named instrument without a valid check, which doubles the uncertainty.
//
// Where the reading gives no u: a dip has 3 mm times the surface at that level (2 % without a shape); a mark, a gauge
// and a meter have 2 %; a scale 0.1 kg, taken as
// 0.1 L; everything else, and a volume without a method, counts as seen by eye. A level
// without a method counts as a dip. A u below zero counts as none.
func ReadingLitres(b *events.ReadingTaken, shape *handbook.Tank, checked bool) (unit.Value, bool) {
	if b.Value == nil || b.NotRead != nil && *b.NotRead || b.Limit != "" || b.Quantity != "volume" && b.Quantity != "level" {
		return unit.Value{}, false
	}
	code, err := events.QuantityUnit(b.Quantity, b.Unit)
	if err != nil {
		return unit.Value{}, false
	}
	given := b.U != nil && *b.U >= 0
	x := unit.Value{V: *b.Value}
	if given {
		x.U = *b.U
	}
	x = code.SI(x)
	var v unit.Value
	surface := 0.0 // square metres, which are litres a millimetre
	if b.Quantity == "volume" {
		if v = x; v.V < 0 {
			return unit.Value{}, false
		}
		if shape != nil && !given && b.Method == "dip" {
			if depth, err := handbook.TankDepth(shape, v.V); err == nil {
				surface, _ = handbook.TankSurface(shape, depth)
			} else {
				shape = nil // fuller than its brim: the shape is not this tank's
			}
		}
	} else {
		if shape == nil {
			return unit.Value{}, false
		}
		depth := float64(x.V * 1000) // rounded before the formulas subtract from it
		if v.V, err = handbook.TankVolume(shape, depth); err != nil {
			return unit.Value{}, false
		}
		surface, _ = handbook.TankSurface(shape, depth)
		v.U = x.U * 1000 * surface
	}
	if !given {
		v.U = readingU(b, v.V, surface, shape != nil)
	}
	if !checked {
		v.U *= unchecked
	}
	return v, true
}

// readingU is the uncertainty of a tank's volume of which the reading says nothing.
func readingU(b *events.ReadingTaken, litres, surface float64, shaped bool) float64 {
	method := b.Method
	if method == "" && b.Quantity == "level" {
		method = "dip"
	}
	switch method {
	case "dip":
		if !shaped {
			return ofTank * litres
		}
		return dipMm * surface
	case "mark", "gauge":
		return ofTank * litres
	case "meter":
		return ofMeter * litres
	case "scale":
		return scaleKg
	}
	return ofEye * litres
}

// Flow is the flow that a fact tells of, with its amount in litres and its uncertainty. ok is false for what is no flow:
// other records, an unknown unit, an amount below zero, and a dose that was weighed, where the register does not know
// its product's density.
func (r *Register) Flow(f *Fact) (flow events.Flow, v unit.Value, ok bool) {
	if flow, ok = events.FlowOf(f.Body); !ok {
		return events.Flow{}, unit.Value{}, false
	}
	checked := flow.Instrument == "" || r.InstrumentChecked(flow.Instrument, f.At)
	if flow.Kg == nil {
		v, ok = FlowLitres(flow.L, "", flow.U, flow.Method, checked)
		return flow, v, ok
	}
	density, ok := r.Density(flow.Product, f.At)
	if !ok {
		return events.Flow{}, unit.Value{}, false
	}
	// A kilogram counts like a litre until the end.
	v, ok = FlowLitres(*flow.Kg, "", flow.U, flow.Method, checked)
	return flow, unit.Value{V: v.V / density, U: v.U / density}, ok
}

// Density is the density of a product in kg/L, at 20 degrees. Water is built in; of all others the register knows it.
func (r *Register) Density(product events.Code, at events.Millis) (float64, bool) {
	if spec, known := r.Fluid(product, at); known && spec.Density != nil && *spec.Density > 0 {
		return *spec.Density, true
	}
	if product == "water" {
		kg, err := handbook.WaterDensity(20)
		return kg / 1000, err == nil
	}
	return 0, false
}

// FlowLitres turns the volume that a flow or a dose states into litres. code is its unit, empty for L; u and method are
// as given. checked is as for ReadingLitres.
//
// Where no u is given: the marks of a pail have 0.25 L, a meter 2 %, a scale 0.1 kg, taken as 0.1 L, the eye 15 %;
// without a method it was the eye. A u below zero counts as none. ok is false for an unknown unit and for a volume
// below zero.
func FlowLitres(volume float64, code string, u *float64, method events.Word, checked bool) (v unit.Value, ok bool) {
	litres, err := events.VolumeUnit(code)
	if err != nil || volume < 0 {
		return unit.Value{}, false
	}
	v = litres.SI(unit.Value{V: volume})
	switch {
	case u != nil && *u >= 0:
		v.U = litres.SI(unit.Value{U: *u}).U
	case method == "mark":
		v.U = pailL
	case method == "meter":
		v.U = ofMeter * v.V
	case method == "scale":
		v.U = scaleKg
	default:
		v.U = ofEye * v.V
	}
	if !checked {
		v.U *= unchecked
	}
	return v, true
}
