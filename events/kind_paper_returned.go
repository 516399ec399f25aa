package events

// PaperReturned tells that the copy of a waste paper came back from whoever received the waste.
type PaperReturned struct {
	Paper    string `f:"paper,need"`
	From     string `f:"from"`
	Evidence Digest `f:"evidence"`
}

var _ = define[PaperReturned]("paper.returned", 1, anyone)

func (*PaperReturned) Kind() Kind { return "paper.returned" }
