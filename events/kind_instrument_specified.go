package events

// InstrumentSpecified says how finely an instrument tells and how often it is to be checked.
type InstrumentSpecified struct {
	Instrument     Code     `f:"instrument,need"`
	Step           *float64 `f:"step" lo:"0"` // between two marks of its scale
	Unit           string   `f:"unit"`        // of Step
	CheckEveryDays *int64   `f:"check_every_days" lo:"1" hi:"36500"`
}

var _ = define[InstrumentSpecified]("instrument.specified", 1, officeOnly)

func (*InstrumentSpecified) Kind() Kind { return "instrument.specified" }

func (b *InstrumentSpecified) check() error { return checkUnit(b.Unit) }
