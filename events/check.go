package events

import (
	"strconv"

	"ullage/events/unit"
)

// checkVolume holds a unit to those of volume.
func checkVolume(code string) error {
	if code == "" {
		return nil
	}
	if _, err := unit.Lookup(code, unit.Volume); err != nil {
		return &FieldError{"unit", strconv.Quote(code), err.Error()}
	}
	return nil
}
