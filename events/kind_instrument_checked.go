package events

// InstrumentChecked tells that an instrument was held against something known. Until Next it counts as checked.
type InstrumentChecked struct {
	Instrument  Code     `f:"instrument,need"`
	Against     string   `f:"against"` // which buffer, water or mass
	Lot         string   `f:"lot"`     // of Against, as is Expires
	Expires     When     `f:"expires"`
	Expected    *float64 `f:"expected"`
	Read        *float64 `f:"read"`
	Unit        string   `f:"unit"`                          // of Expected and Read
	Temperature *float64 `f:"temperature" lo:"-50" hi:"150"` // degrees Celsius
	Adjusted    *bool    `f:"adjusted"`
	Result      Word     `f:"result,need" in:"pass,fail"`
	Next        When     `f:"next"` // when it is to be checked again
}

var _ = define[InstrumentChecked]("instrument.checked", 1, anyone)

func (*InstrumentChecked) Kind() Kind { return "instrument.checked" }

func (b *InstrumentChecked) check() error { return checkUnit(b.Unit) }
