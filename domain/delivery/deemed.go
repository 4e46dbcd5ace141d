package delivery

import (
	"strconv"
	"time"

	"ductledger/domain/stat"
)

// mostDeemedKWh is above the whole heating of any one home.
const mostDeemedKWh = 1e5

// A DeemedFigure is a saving that a program adopts for every treated home
// of a zone, whatever was measured there. It is a setting of the program,
// dated, and its source is named.
type DeemedFigure struct {
	// The zone.
	Zone string `json:"zone" validate:"min=1,max=60"`
	// In a year.
	SavingKWh float64 `json:"saving_kwh" validate:"gt=0,lte=100000"`
	// Relative standard uncertainty; absent, that of a deemed figure without one (deemed_u_ratio).
	URatio *float64 `json:"u_ratio,omitempty" validate:"gte=0,lte=1"`
	// The day from which the program uses it.
	AdoptedOn string `json:"adopted_on"`
	// Who published it, where and when.
	Source string `json:"source" validate:"min=1,max=200"`
}

// SavingDeemed is the figure of the home's zone as an estimate:
//
//	saving = the figure                      kWh a year
//	range  = saving·(1 ± Coverage·u)         u: the figure's own, or DeemedRatio
//
// Refused: a zone that no figure names or that two name; a figure without
// source or day, not above zero or above 100,000 kWh. All figures are checked,
// not only the one used. Source: the figure's own, named in the answer; the
// range [calc].
func SavingDeemed(figures []DeemedFigure, zone string, u Uncertainty) (Estimate, error) {
	if err := u.check(); err != nil {
		return Estimate{}, err
	}
	found := -1
	for i, f := range figures {
		if err := f.check(); err != nil {
			return Estimate{}, stat.Under(pointer("/deemed_figures", i), err)
		}
		if f.Zone != zone {
			continue
		}
		if found >= 0 {
			return Estimate{}, stat.Refuse(ZoneTwice, pointer("/deemed_figures", i)+"/zone", "keep one figure for each zone",
				"zone %q also has figure %d", zone, found)
		}
		found = i
	}
	if found < 0 {
		return Estimate{}, stat.Refuse(ZoneUnknown, "/zone", "set a figure for the zone, or estimate by effectiveness",
			"the program has no deemed figure for zone %q", zone)
	}
	f := figures[found]
	ratio := u.DeemedRatio
	if f.URatio != nil {
		ratio = *f.URatio
	}
	e := Estimate{
		Method:        ByDeemedFigure,
		MethodVersion: ByDeemedFigureVersion,
		Zone:          f.Zone,
		Source:        f.Source,
		AdoptedOn:     f.AdoptedOn,
	}
	u.DeemedRatio = ratio // what was used stands in the answer
	btu := float64(f.SavingKWh * BtuPerKWh)
	e = estimate(e, btu, btu*ratio, u, deemedSentence)
	// The setting is in kWh and comes back digit for digit.
	e.SavingKWh = f.SavingKWh
	return e, nil
}

func (f DeemedFigure) check() error {
	if f.Zone == "" {
		return stat.Refuse(stat.NotComplete, "/zone", "", "the figure names no zone")
	}
	if err := positiveUpTo("/saving_kwh", f.SavingKWh, mostDeemedKWh, "kWh a year"); err != nil {
		return err
	}
	if f.URatio != nil {
		if err := stat.Within("/u_ratio", *f.URatio, 0, mostRatio, "(fraction)"); err != nil {
			return err
		}
	}
	if _, err := time.Parse(time.DateOnly, f.AdoptedOn); err != nil {
		return stat.Refuse(stat.NotComplete, "/adopted_on", "write it as 2026-10-01", "%q is not a day", f.AdoptedOn)
	}
	if f.Source == "" {
		return stat.Refuse(stat.NotComplete, "/source", "say who published it, where and when", "the figure names no source")
	}
	return nil
}

// pointer is the JSON Pointer of an element of a list.
func pointer(list string, index int) string {
	return list + "/" + strconv.Itoa(index)
}
