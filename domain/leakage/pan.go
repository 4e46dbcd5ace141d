package leakage

import (
	"slices"
	"strconv"

	"ductledger/domain/stat"
)

// PanParameters are the settings of pan readings.
type PanParameters struct {
	HousePa  float64 // the home pressure at which readings are compared; 50 Pa [cp]
	TargetPa float64 // a reading above it is over target; 1.0 Pa at HousePa [cp], programs differ
	FloorPa  float64 // a reading below it is not distinguishable from 0; 0.3 Pa, about twice a gauge's 0.15 Pa [cp]
	Exponent float64 // of register leak and room opening alike; 0.65, no unit
}

// DefaultPanParameters gives the values named at the fields, in Pa; programs
// differ in the target [cp].
func DefaultPanParameters() PanParameters {
	return PanParameters{HousePa: 50, TargetPa: 1, FloorPa: 0.3, Exponent: 0.65}
}

// A PanReading is the pressure across a gasketed pan over one register.
type PanReading struct {
	Register string  // name of the register
	Trunk    string  // name of its trunk; empty when not known
	PanPa    float64 // 0 or more
	HousePa  float64 // home to outside at that moment, more than 0 and more than PanPa
}

// A PanRegister is the answer for one register.
type PanRegister struct {
	Register          string
	PanPa             float64 // carried to PanParameters.HousePa
	OpeningRatio      float64 // leak to outside ÷ opening to the home, as areas, no unit
	OverTarget        bool
	Indistinguishable bool // from 0, as read
}

// A PanPass is the answer for a home: no sum and no mean, since readings of
// one trunk share a leak and do not add.
type PanPass struct {
	Registers          []PanRegister // in the order of the readings
	MaxPa              float64
	MedianPa           float64
	OverTarget         int
	IndistinguishableN int
	SharedTrunks       []string // trunks with two and more registers over target, in the order they appear
	Note               string   // PanNote where SharedTrunks is not empty
}

// PanNote goes with trunks that have several registers over target.
const PanNote = "registers of one trunk share a leak: one hole can raise the reading at each of them, so do not count them as separate leaks"

// Pan evaluates the pan readings of one pass.
//
// A reading at home pressure P is carried to HousePa in proportion, which is
// exact where leak and opening have one exponent: pan = P·q/(1 + q) with q of
// the ducts alone. Over target is decided on the decimal digits, to 0.001 Pa:
// 1.1 Pa at 55 Pa is exactly on a target of 1.0 Pa, whatever binary makes of it.
//
// Refused: no reading (too_few, /readings), a pan pressure negative or not
// finite (/readings/i/pan_pa), a home pressure not above 0
// (/readings/i/house_pressure_pa), a pan pressure not below the home's, a
// pressure above 1000 Pa, parameters outside their range.
// Sources: two openings in series with equal exponents [calc]; target and floor
// are practice [cp].
func Pan(readings []PanReading, p PanParameters) (PanPass, error) {
	if err := p.check(); err != nil {
		return PanPass{}, err
	}
	if len(readings) == 0 {
		return PanPass{}, stat.Refuse(stat.TooFew, "/readings", "", "0 readings, at least 1 is needed")
	}
	pass := PanPass{Registers: make([]PanRegister, len(readings))}
	values := make([]float64, len(readings))
	var over []string // trunk of each register over target
	for i, r := range readings {
		ratio, err := PanOpeningRatio(r.PanPa, r.HousePa, p.Exponent)
		if err != nil {
			return PanPass{}, stat.Under("/readings/"+strconv.Itoa(i), err)
		}
		above, err := overTarget(r, p)
		if err != nil {
			return PanPass{}, stat.Under("/readings/"+strconv.Itoa(i), err)
		}
		g := PanRegister{Register: r.Register, PanPa: r.PanPa * p.HousePa / r.HousePa, OpeningRatio: ratio,
			OverTarget: above, Indistinguishable: r.PanPa < p.FloorPa}
		pass.Registers[i], values[i] = g, g.PanPa
		if g.Indistinguishable {
			pass.IndistinguishableN++
		}
		if g.OverTarget {
			pass.OverTarget++
			if r.Trunk != "" {
				if slices.Contains(over, r.Trunk) && !slices.Contains(pass.SharedTrunks, r.Trunk) {
					pass.SharedTrunks, pass.Note = append(pass.SharedTrunks, r.Trunk), PanNote
				}
				over = append(over, r.Trunk)
			}
		}
	}
	slices.Sort(values)
	pass.MaxPa = values[len(values)-1]
	middle := len(values) / 2
	pass.MedianPa = values[middle]
	if len(values)%2 == 0 {
		pass.MedianPa = (values[middle-1] + values[middle]) / 2
	}
	return pass, nil
}

// overTarget compares pan·HousePa with target·P in thousandths of a Pa.
func overTarget(r PanReading, p PanParameters) (bool, error) {
	var n [4]int64
	for i, v := range []struct {
		argument string
		pa       float64
	}{{"/pan_pa", r.PanPa}, {"", p.HousePa}, {"/house_pressure_pa", r.HousePa}, {"", p.TargetPa}} {
		if err := stat.Within(v.argument, v.pa, 0, highestPa, "Pa"); err != nil {
			return false, err
		}
		units, err := stat.Units(v.pa, 3)
		if err != nil {
			return false, err
		}
		n[i] = units
	}
	return n[0]*n[1] > n[3]*n[2], nil
}

// highestPa bounds pressures of pan readings; a home bursts long before.
const highestPa = 1000.0

func (p PanParameters) check() error {
	if err := stat.Positive("/compared_at_pa", p.HousePa, "Pa"); err != nil {
		return err
	}
	if err := stat.Within("/compared_at_pa", p.HousePa, 0, highestPa, "Pa"); err != nil {
		return err
	}
	if err := stat.Within("/target_pa", p.TargetPa, 0, highestPa, "Pa"); err != nil {
		return err
	}
	return stat.NotBelowZero("/floor_pa", p.FloorPa, "Pa")
}
