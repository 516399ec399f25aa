package events

// DeviceRevoked ends the right of a device to bring records; without keys, of all its keys.
type DeviceRevoked struct {
	Device DeviceID    `f:"device,need"`
	Keys   []DeviceKey `f:"keys"`
	Parent DeviceID    `f:"parent"`
	Firm   string      `f:"firm"`
	Why    Text        `f:"why"`
}

var _ = define[DeviceRevoked]("device.revoked", 1, officeOnly)

func (*DeviceRevoked) Kind() Kind { return "device.revoked" }
