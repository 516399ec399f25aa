package events

import "strconv"

// SignatureCaptured tells that whoever answers for the machine signed what was shown to them, or why nobody did.
type SignatureCaptured struct {
	Evidence Digest `f:"evidence"` // name, strokes, salt
	Shown    Digest `f:"shown"`    // exactly the summary that was signed, evidence too
	Role     string `f:"role"`
	Reader   Word   `f:"reader" in:"self,read-out"`
	Remark   Text   `f:"remark"`
	Declined Word   `f:"declined" in:"nobody-there,refused,not-authorised,unsafe"`
}

var _ = define[SignatureCaptured]("signature.captured", 1, anyone)

func (*SignatureCaptured) Kind() Kind { return "signature.captured" }

func (b *SignatureCaptured) check() error {
	if b.Declined != "" && !b.Evidence.IsZero() {
		return &FieldError{"declined", strconv.Quote(string(b.Declined)), "a signature that was given was not declined"}
	}
	return needOne(b.Declined != "" || !b.Evidence.IsZero(), "evidence", "declined")
}
