package events

import (
	"fmt"

	"ullage/events/pack"
)

// Kinds that decide about another record, which their field target names.
const (
	KindAmended   Kind = "record.amended"
	KindWithdrawn Kind = "record.withdrawn"
	KindAdmitted  Kind = "record.admitted"
)

// CorrectionOf returns the record that r amends, withdraws or admits; ok is false where r does nothing of the kind.
// Only the target is read. The error wraps ErrForm.
func CorrectionOf(r *Record) (target Target, ok bool, err error) {
	if r.Kind != KindAmended && r.Kind != KindWithdrawn && r.Kind != KindAdmitted {
		return Target{}, false, nil
	}
	in := pack.NewReader(r.Body)
	for n := in.Map(MaxList); n > 0 && in.Err() == nil; n-- {
		if in.String() != "target" {
			in.Skip(MaxDepth)
			continue
		}
		in.Map(3)
		for _, want := range [...]string{"device", "hash", "seq"} {
			if key := in.String(); key != want {
				in.Failf("%s should stand here, not %q", want, key)
			}
			switch want {
			case "device":
				target.Device = DeviceID(in.String())
			case "hash":
				if p := in.Bin(); len(p) == len(target.Hash) {
					target.Hash = Hash(p)
				} else {
					in.Failf("a hash has 32 bytes, not %d", len(p))
				}
			case "seq":
				target.Seq = Seq(in.Uint())
			}
		}
		if in.Err() == nil {
			return target, true, nil
		}
	}
	if in.Err() == nil {
		in.Failf("no target")
	}
	return Target{}, false, fmt.Errorf("%w: %s: %w", ErrForm, r.Kind, in.Err())
}
