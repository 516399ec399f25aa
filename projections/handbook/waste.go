package handbook

import (
	"fmt"
	"time"
)

// Category is how much hazardous waste a generator makes in a calendar month, in the words of 40 CFR 262.13.
type Category string

// The categories.
const (
	VerySmall Category = "very-small"
	Small     Category = "small"
	Large     Category = "large"
)

// WasteCategory is the category of one calendar month by the kilograms of acute waste, of other waste, and of residue from
// an acute spill. It says nothing of what is hazardous, and local codes are often stricter.
//
// Range: from 0. Error: wraps ErrRange.
//
// Source: 40 CFR 262.13, Table 1.
func WasteCategory(acute, other, residue float64) (Category, error) {
	for _, kg := range []float64{acute, other, residue} {
		if !(kg >= 0 && kg <= 1e9) {
			return "", fmt.Errorf("%w: %g kg; a mass is not below 0", ErrRange, kg)
		}
	}
	switch {
	case acute > 1, other >= 1000, residue > 100:
		return Large, nil
	case other > 100:
		return Small, nil
	}
	return VerySmall, nil
}

// StoreUntil is the last day on which something may be kept that days are given for; the day of the start is day 0. Range: 0
// to 36,600 days. Error: wraps ErrRange.
func StoreUntil(start time.Time, days int) (time.Time, error) {
	if days < 0 || days > 36600 {
		return time.Time{}, fmt.Errorf("%w: %d days; they are 0 to 36600", ErrRange, days)
	}
	return start.AddDate(0, 0, days), nil
}
