package events

// InterestGranted says of which sites a device holds records, besides those of its rounds. It stands in place of what
// was granted before; without sites there are none.
type InterestGranted struct {
	Device DeviceID `f:"device,need"`
	Sites  []SiteID `f:"sites"`
}

var _ = define[InterestGranted]("interest.granted", 1, officeOnly)

func (*InterestGranted) Kind() Kind { return "interest.granted" }
