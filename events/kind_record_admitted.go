package events

// RecordAdmitted lets in a record that was held.
type RecordAdmitted struct {
	Target Target `f:"target,need"`
	Why    Text   `f:"why"`
}

var _ = define[RecordAdmitted]("record.admitted", 1, officeOnly)

func (*RecordAdmitted) Kind() Kind { return "record.admitted" }
