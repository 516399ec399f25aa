package events

// DeviceRenewed gives a device new keys in place of those it had for the same use. The device records it itself, sealed
// by the key that ends with it; from the next record on the new one seals.
type DeviceRenewed struct {
	Device DeviceID    `f:"device,need"`
	Keys   []DeviceKey `f:"keys,need"`
	Parent DeviceID    `f:"parent"`
	Firm   string      `f:"firm"`
	Why    Text        `f:"why"`
}

var _ = define[DeviceRenewed]("device.renewed", 1, anyone)

func (*DeviceRenewed) Kind() Kind { return "device.renewed" }
