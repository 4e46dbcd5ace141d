package cutlist

import "ductledger/domain/stat"

// Used is the material that was recorded as used on the same jobs; absent is
// not recorded, and zero is none.
type Used struct {
	MetalIn2      *float64 `json:"metal_in2,omitempty" validate:"gte=0,lte=1000000"`
	BoardIn2      *float64 `json:"board_in2,omitempty" validate:"gte=0,lte=1000000"`
	WrapFabricIn2 *float64 `json:"wrap_fabric_in2,omitempty" validate:"gte=0,lte=1000000"`
	MeshIn        *float64 `json:"mesh_length_in,omitempty" validate:"gte=0,lte=1000000"`
	MasticGal     *float64 `json:"mastic_gal,omitempty" validate:"gte=0,lte=1000000"`
	ScrewsCount   *int     `json:"screws_count,omitempty" validate:"gte=0,lte=1000000"`
	BandsCount    *int     `json:"bands_count,omitempty" validate:"gte=0,lte=1000000"`
	NailsCount    *int     `json:"nails_count,omitempty" validate:"gte=0,lte=1000000"`
	FlexLengthFt  *float64 `json:"flex_length_ft,omitempty" validate:"gte=0,lte=1000000"`
	StrapLengthFt *float64 `json:"strap_length_ft,omitempty" validate:"gte=0,lte=1000000"`
	MetalStripIn  *float64 `json:"metal_strip_length_in,omitempty" validate:"gte=0,lte=1000000"`
}

// An Outcome of one material against its list.
type Outcome string

// The outcomes. None is a fault: each says what to ask.
const (
	NotRecorded    Outcome = "not_recorded"
	AsListed       Outcome = "as_listed"        // from the list to the list with waste, give or take the tolerance
	LessThanListed Outcome = "less_than_listed" // less than the list
	MoreThanListed Outcome = "more_than_listed" // more than the list with waste
)

// DefaultUsedTolerance is how far use may fall outside list and waste before
// it is asked about: a bucket is not read closer than a tenth [cp].
const DefaultUsedTolerance = 0.10

// Limits in any of the units: mostUsed keeps slips of the keyboard out, and
// less than leastListed is nothing to divide by.
const (
	mostUsed    = 1e9
	leastListed = 1e-12
)

// An AgainstList is one material: listed, with waste, and used.
type AgainstList struct {
	Material   string   `json:"material"` // the name in Totals, with its unit
	Listed     float64  `json:"listed"`
	WithWaste  float64  `json:"listed_with_waste"`
	Used       *float64 `json:"used,omitempty"`
	Difference *float64 `json:"used_less_listed,omitempty"`     // used − listed
	Ratio      *float64 `json:"used_to_listed_ratio,omitempty"` // used/listed; absent where nothing is listed
	Outcome    Outcome  `json:"outcome"`
	Asks       string   `json:"asks,omitempty"`
}

// The questions, each with an innocent explanation.
const (
	asksLess = "Less than the list needs. Was a part found tight and not done, or was material not written down?"
	asksMore = "More than the list and its waste. Was more repaired than was planned, or was material spoilt?"
)

// CompareUsed sets what was used beside what was listed, material by material
// in the order of Totals, each in the unit of its name. With tolerance τ:
//
//	less  when used < listed·(1 − τ)
//	more  when used > listed with waste·(1 + τ)
//
// It asks and changes no figure. Refused: use or listed below zero or not a
// number, a list with waste below the list, a tolerance outside 0 to 0.99. Source: arithmetic [calc].
func CompareUsed(listed, withWaste Totals, used Used, tolerance float64) ([]AgainstList, error) {
	if err := stat.Within("/used_tolerance_ratio", tolerance, 0, mostWaste, "(fraction)"); err != nil {
		return nil, err
	}
	rows := []struct {
		material          string
		listed, withWaste float64
		used              *float64
		unit              string
	}{
		{"metal_in2", listed.MetalIn2, withWaste.MetalIn2, used.MetalIn2, "in²"},
		{"board_in2", listed.BoardIn2, withWaste.BoardIn2, used.BoardIn2, "in²"},
		{"wrap_fabric_in2", listed.WrapFabricIn2, withWaste.WrapFabricIn2, used.WrapFabricIn2, "in²"},
		{"mesh_length_in", listed.MeshIn, withWaste.MeshIn, used.MeshIn, "in"},
		{"mastic_gal", listed.MasticGal, withWaste.MasticGal, used.MasticGal, "gal"},
		{"screws_count", float64(listed.ScrewsCount), float64(withWaste.ScrewsCount), counted(used.ScrewsCount), "screws"},
		{"bands_count", float64(listed.BandsCount), float64(withWaste.BandsCount), counted(used.BandsCount), "bands"},
		{"nails_count", float64(listed.NailsCount), float64(withWaste.NailsCount), counted(used.NailsCount), "nails"},
		{"flex_length_ft", listed.FlexLengthFt, withWaste.FlexLengthFt, used.FlexLengthFt, "ft"},
		{"strap_length_ft", listed.StrapLengthFt, withWaste.StrapLengthFt, used.StrapLengthFt, "ft"},
		{"metal_strip_length_in", listed.MetalStripIn, withWaste.MetalStripIn, used.MetalStripIn, "in"},
	}
	out := make([]AgainstList, 0, len(rows))
	for _, r := range rows {
		if err := stat.Within("/listed/"+r.material, r.listed, 0, mostUsed, r.unit); err != nil {
			return nil, err
		}
		if err := stat.Within("/listed_with_waste/"+r.material, r.withWaste, r.listed, 2*mostUsed, r.unit); err != nil {
			return nil, err
		}
		a := AgainstList{Material: r.material, Listed: r.listed, WithWaste: r.withWaste, Outcome: NotRecorded}
		if r.used != nil {
			if err := stat.Within("/used/"+r.material, *r.used, 0, mostUsed, r.unit); err != nil {
				return nil, err
			}
			a = a.against(*r.used, tolerance)
		}
		out = append(out, a)
	}
	return out, nil
}

func (a AgainstList) against(used, tolerance float64) AgainstList {
	difference := used - a.Listed
	a.Used, a.Difference = &used, &difference
	if a.Listed > leastListed {
		ratio := used / a.Listed
		a.Ratio = &ratio
	}
	switch {
	case used < a.Listed*(1-tolerance):
		a.Outcome, a.Asks = LessThanListed, asksLess
	case used > a.WithWaste*(1+tolerance):
		a.Outcome, a.Asks = MoreThanListed, asksMore
	default:
		a.Outcome = AsListed
	}
	return a
}

func counted(n *int) *float64 {
	if n == nil {
		return nil
	}
	x := float64(*n)
	return &x
}
