package events

// VisitJoined tells that this device takes part in a visit that another one opened.
type VisitJoined struct {
	Other DeviceID `f:"other,need"` // the device whose code was scanned
}

var _ = define[VisitJoined]("visit.joined", 1, anyone)

func (*VisitJoined) Kind() Kind { return "visit.joined" }
