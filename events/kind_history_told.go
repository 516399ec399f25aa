package events

// HistoryTold tells what somebody at the site says happened to the machine since the last visit.
type HistoryTold struct {
	Since   RecordID `f:"since"` // the visit since when; left out: the last one
	What    Word     `f:"what,need" in:"water-added,fluid-added,product-added,drained,skimmed,spilled,moved,off,nothing"`
	Volume  *float64 `f:"volume" lo:"0"`
	Unit    string   `f:"unit"` // of Volume and U; left out: L
	U       *float64 `f:"u" lo:"0"`
	Product Code     `f:"product"`
	When    When     `f:"when"`
	Source  Word     `f:"source" in:"word,log,meter,float-valve"`
	Role    string   `f:"role"` // of who says it
}

var _ = define[HistoryTold]("history.told", 1, anyone)

func (*HistoryTold) Kind() Kind { return "history.told" }

func (b *HistoryTold) check() error {
	switch b.What {
	case "moved", "off", "nothing":
		if b.Volume != nil {
			return &FieldError{"volume", number(*b.Volume), "no volume belongs to " + string(b.What)}
		}
	}
	return checkVolume(b.Unit)
}
