package events

// BathRenewed tells that a bath begins anew: its age and its balances count from here. It moves no fluid; what left and
// what came have records of their own.
type BathRenewed struct {
	Tank     Code     `f:"tank"` // left out: the machine's first
	Product  Code     `f:"product"`
	Strength *float64 `f:"strength" lo:"0" hi:"100"` // per cent of concentrate
	Volume   *float64 `f:"volume" lo:"0"`
	Unit     string   `f:"unit"` // of Volume and U; left out: L
	U        *float64 `f:"u" lo:"0"`
	Why      Text     `f:"why"`
}

var _ = define[BathRenewed]("bath.renewed", 1, anyone)

func (*BathRenewed) Kind() Kind { return "bath.renewed" }

func (b *BathRenewed) check() error { return checkVolume(b.Unit) }
