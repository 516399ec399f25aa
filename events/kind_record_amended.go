package events

// RecordAmended puts a record right: the whole new body, or other fields of the envelope. What is left out stands.
type RecordAmended struct {
	Target  Target    `f:"target,need"`
	Body    Raw       `f:"body"` // of the target's kind and version
	Site    SiteID    `f:"site"`
	Machine MachineID `f:"machine"`
	Visit   RecordID  `f:"visit"`
	By      StaffCode `f:"by"`
	Done    When      `f:"done"`
	Why     Text      `f:"why,need"`
	Over    []Hash    `f:"over" is:"hash"` // the newest corrections of the target that the writer held
}

var _ = define[RecordAmended]("record.amended", 1, anyone)

func (*RecordAmended) Kind() Kind { return "record.amended" }

func (b *RecordAmended) check() error {
	if len(b.Body) == 0 && b.Site == "" && b.Machine == "" && b.Visit.IsZero() && b.By == "" && b.Done == "" {
		return &FieldError{"body", "", "at least one of body, site, machine, visit, by, done must be given"}
	}
	if b.Done != "" && len(b.Done) <= len("2006-01-02") {
		return &FieldError{"done", string(b.Done), "a time with its zone is needed, such as 2026-03-02T09:05:00+01:00"}
	}
	return nil
}
