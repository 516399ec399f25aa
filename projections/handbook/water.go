package handbook

import "fmt"

// WaterDensity is the density of air-free water at one atmosphere, in kg/m3, at a temperature in degrees Celsius.
//
//	(999.83952 + 16.945176*t - 7.9870401e-3*t^2 - 46.170461e-6*t^3 + 105.56302e-9*t^4 - 280.54253e-12*t^5) /
//	(1 + 16.879850e-3*t)
//
// Range: 0 to 150 degrees. Against the table of Tanaka and others (Metrologia 38 (2001) 301) it lies within 0.005
// kg/m3 from 0 to 40 degrees; at 100 degrees within 0.03 of the steam tables. Copies with 16.897850e-3 below are
// wrong: they miss the greatest density, 999.972 at 4 degrees, by 0.07. The error wraps ErrRange.
//
// Source: G. S. Kell, J. Chem. Eng. Data 20 (1975) 97.
func WaterDensity(cel float64) (float64, error) {
	if !(cel >= 0 && cel <= 150) {
		return 0, fmt.Errorf("%w: %g degrees Celsius; water is taken from 0 to 150", ErrRange, cel)
	}
	sum := 0.0
	for _, c := range [...]float64{-280.54253e-12, 105.56302e-9, -46.170461e-6, -7.9870401e-3, 16.945176, 999.83952} {
		sum = float64(sum*cel) + c
	}
	return sum / (1 + float64(16.879850e-3*cel)), nil
}

// VolumeAt20 is the volume at 20 degrees Celsius of water that has the given volume at cel: the mass stays, so that
// V20 = V * density(cel) / density(20). Any unit of volume; range and error as WaterDensity's. A thin bath of cleaner
// in water is taken as water.
func VolumeAt20(volume, cel float64) (float64, error) {
	here, err := WaterDensity(cel)
	if err != nil {
		return 0, err
	}
	there, err := WaterDensity(20)
	return volume * here / there, err
}
