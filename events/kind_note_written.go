package events

// NoteWritten is a note in words, or one that is kept as evidence.
type NoteWritten struct {
	Text     Text   `f:"text"`
	Evidence Digest `f:"evidence"`
}

var _ = define[NoteWritten]("note.written", 1, anyone)

func (*NoteWritten) Kind() Kind { return "note.written" }

func (b *NoteWritten) check() error {
	if !b.Text.IsZero() && !b.Evidence.IsZero() {
		return &FieldError{"evidence", "evidence:" + b.Evidence.String(), "a note has text or evidence, not both"}
	}
	return needOne(!b.Text.IsZero() || !b.Evidence.IsZero(), "text", "evidence")
}
