package events

// DeviceRenewed gives a device new keys in place of those it had for the same use.
type DeviceRenewed struct {
	Device DeviceID    `f:"device,need"`
	Keys   []DeviceKey `f:"keys,need"`
	Parent DeviceID    `f:"parent"`
	Firm   string      `f:"firm"`
	Why    Text        `f:"why"`
}

var _ = define[DeviceRenewed]("device.renewed", 1, officeOnly)

func (*DeviceRenewed) Kind() Kind { return "device.renewed" }
