package events

import "crypto/ed25519"

// DeviceRenewed gives a device new keys in place of those it had for the same use. The device records it itself, sealed
// by the key that ends with it; from the next record on the new one seals.
type DeviceRenewed struct {
	Device DeviceID    `f:"device,need"`
	Keys   []DeviceKey `f:"keys,need"`
	Parent DeviceID    `f:"parent"`
	Firm   string      `f:"firm"`
	Why    Text        `f:"why"`
}

var _ = define[DeviceRenewed](KindRenewed, 1, anyone)

func (*DeviceRenewed) Kind() Kind { return KindRenewed }

// KindRenewed is the kind after which another key seals.
const KindRenewed Kind = "device.renewed"

// RenewedKey returns the key by which the chain of a device is sealed from the record behind r on, where r renews it: r
// is a device.renewed by the device that it names, and gives exactly one sealing key. In every other case ok is false,
// and the key stays.
func RenewedKey(r *Record) (key ed25519.PublicKey, ok bool) {
	if r.Kind != KindRenewed {
		return nil, false
	}
	body, err := DecodeBody(r.Kind, r.V, r.Body)
	if err != nil {
		return nil, false
	}
	b, known := body.(*DeviceRenewed)
	if !known || b.Device != r.Device {
		return nil, false
	}
	for _, k := range b.Keys {
		if k.Use != "sealing" {
			continue
		}
		if key != nil || len(k.Key) != ed25519.PublicKeySize {
			return nil, false
		}
		key = k.Key
	}
	return key, key != nil
}
