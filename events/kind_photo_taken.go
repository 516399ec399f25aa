package events

// PhotoTaken names a picture that is kept as evidence.
type PhotoTaken struct {
	Evidence Digest `f:"evidence,need"`
	Preview  Digest `f:"preview"`     // a small picture of it, evidence too
	Size     *int64 `f:"size" lo:"0"` // of the picture, in bytes
	View     Word   `f:"view" in:"outside,inside,plate,meter,detail"`
	Moment   Word   `f:"moment" in:"arrival,departure,working"`
	About    string `f:"about"` // a record's id, a vessel, a position
	Source   Word   `f:"source" in:"camera,file"`
}

var _ = define[PhotoTaken]("photo.taken", 1, anyone)

func (*PhotoTaken) Kind() Kind { return "photo.taken" }
