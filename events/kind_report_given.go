package events

// ReportGiven tells that the report of a visit was given to somebody.
type ReportGiven struct {
	Report Digest `f:"report"`
	How    Word   `f:"how" in:"shown,paper,mail"`
	Role   string `f:"role"` // of who got it
	Lang   string `f:"lang"`
}

var _ = define[ReportGiven]("report.given", 1, anyone)

func (*ReportGiven) Kind() Kind { return "report.given" }

func (b *ReportGiven) check() error { return checkLang(b.Lang) }
