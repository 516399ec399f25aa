package events

import (
	"crypto/ed25519"
	"fmt"
)

// DeviceEnrolled lets a device in, with its keys.
type DeviceEnrolled struct {
	Device DeviceID    `f:"device,need"`
	Keys   []DeviceKey `f:"keys,need"`
	Parent DeviceID    `f:"parent"` // the identity that this one goes on from
	Firm   string      `f:"firm"`   // whose device it is, where it is not ours
	Why    Text        `f:"why"`
}

// DeviceKey is a public key of a device.
type DeviceKey struct {
	Use Word   `f:"use,need" in:"sealing,connection"`
	Key []byte `f:"key,need"` // 32 bytes, Ed25519
}

func (k *DeviceKey) check() error {
	if len(k.Key) != ed25519.PublicKeySize {
		return &FieldError{"key", "", fmt.Sprintf("a key has %d bytes, not %d", ed25519.PublicKeySize, len(k.Key))}
	}
	return nil
}

var _ = define[DeviceEnrolled]("device.enrolled", 1, officeOnly)

func (*DeviceEnrolled) Kind() Kind { return "device.enrolled" }
