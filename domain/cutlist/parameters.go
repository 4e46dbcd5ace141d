package cutlist

import "ductledger/domain/stat"

// Parameters is allowances and counts; what is absent has its default, which the answer repeats.
type Parameters struct {
	// Width of the metal on the roll.
	StockWidthIn float64 `json:"stock_width_in" validate:"omitempty,gte=1,lte=1200" default:"14"`
	// Of a flat blank beyond the inside of the duct on each side; also its corner notch.
	BlankAllowanceIn float64 `json:"blank_allowance_in" validate:"omitempty,gte=0,lte=12" default:"0.25"`
	// f: flange of a sloped blank at both ends.
	EndFlangeIn float64 `json:"end_flange_in" validate:"omitempty,gte=0,lte=12" default:"1"`
	// Flange of a sloped blank on each side that is screwed.
	SideFlangeIn float64 `json:"side_flange_in" validate:"omitempty,gte=0,lte=12" default:"0.25"`
	// Duct board.
	BoardThicknessIn float64 `json:"board_thickness_in" validate:"omitempty,gte=0.125,lte=12" default:"1"`
	// Bracket strip.
	BracketLeastWidthIn float64 `json:"bracket_least_width_in" validate:"omitempty,gte=0.125,lte=12" default:"2"`
	BracketMostWidthIn  float64 `json:"bracket_most_width_in" validate:"omitempty,gte=0.125,lte=12" default:"2.5"`
	// L: of a patch over a hole in a duct, on each side.
	DuctPatchLapIn float64 `json:"duct_patch_lap_in" validate:"omitempty,gte=0,lte=12" default:"1"`
	// L: of a patch over a hole in the wrap, on each side.
	WrapPatchLapIn float64 `json:"wrap_patch_lap_in" validate:"omitempty,gte=0,lte=120" default:"3"`
	// As put on, wet.
	MasticThicknessIn float64 `json:"mastic_thickness_in" validate:"omitempty,gte=0.001,lte=1"`
	// Along an edge that is sealed all round.
	MasticBeadWidthIn float64 `json:"mastic_bead_width_in" validate:"omitempty,gte=0,lte=12" default:"2"`
	// Mesh longer than each seam.
	MeshOverlapIn float64 `json:"mesh_overlap_in" validate:"omitempty,gte=0,lte=12" default:"1"`
	// Sloped metal blank.
	BlankScrewsCount int `json:"blank_screws_count" validate:"omitempty,gte=0,lte=100" default:"6"`
	// Both legs.
	BracketScrewsCount int `json:"bracket_screws_count" validate:"omitempty,gte=0,lte=100" default:"5"`
	// Crossover collar.
	CollarScrewsCount int `json:"collar_screws_count" validate:"omitempty,gte=0,lte=100" default:"4"`
	// Core and jacket apart.
	BandsPerCollarCount int `json:"bands_per_collar_count" validate:"omitempty,gte=0,lte=100" default:"2"`
	// A crossover has two ends.
	CollarsPerDuctCount int `json:"collars_per_duct_count" validate:"omitempty,gte=0,lte=100" default:"2"`
	// Patch on a duct.
	DuctPatchScrewsCount int `json:"duct_patch_screws_count" validate:"omitempty,gte=0,lte=100" default:"4"`
	// Nails in each part that is nailed.
	NailsPerPartCount int `json:"nails_per_part_count" validate:"omitempty,gte=0,lte=100" default:"4"`
	// Of one strap round a duct and up to the joist in ft.
	StrapLengthFt float64 `json:"strap_length_ft" validate:"omitempty,gte=0,lte=50" default:"5"`
	// Offcuts, skins and losses, on top of the totals.
	WasteRatio float64 `json:"waste_ratio" validate:"omitempty,gte=0,lte=0.99" default:"0.1"`
}

// DefaultParameters is what stands where a program sets nothing: units and
// source at each value, [cp] where none is published.
func DefaultParameters() Parameters {
	return Parameters{
		StockWidthIn:         14,    // in [cp]
		BlankAllowanceIn:     0.25,  // in [cp]
		EndFlangeIn:          1,     // in [cp]
		SideFlangeIn:         0.25,  // in [cp]
		BoardThicknessIn:     1,     // in [cp]
		BracketLeastWidthIn:  2,     // in [cp]
		BracketMostWidthIn:   2.5,   // in [cp]
		DuctPatchLapIn:       1,     // in [cp]; the least that is asked
		WrapPatchLapIn:       3,     // in [cp]
		MasticThicknessIn:    0.075, // in, 75 mils [cp]
		MasticBeadWidthIn:    2,     // in [cp]; an inch on each side of the joint
		MeshOverlapIn:        1,     // in [cp]
		BlankScrewsCount:     6,     // [cp]; any number will do
		BracketScrewsCount:   5,     // [cp]; 3 in the trunk, 2 in the other leg
		CollarScrewsCount:    4,     // [cp]
		BandsPerCollarCount:  2,     // [cp]; SWS 3.1601.5 (2017) [pub] asks core and jacket apart
		CollarsPerDuctCount:  2,     // geometry
		DuctPatchScrewsCount: 4,     // [cp]; one at each corner until the mastic has set
		NailsPerPartCount:    4,     // SWS 5.0105.5 [pub]: all four sides
		StrapLengthFt:        5,     // ft [cp]; round a duct of 12 in and a foot up on each side
		WasteRatio:           0.10,  // fraction [cp]
	}
}

// Limits that keep slips of the keyboard out.
const (
	leastIn     = 0.01   // in: thinner than any part that is cut
	mostIn      = 1200.0 // in: 100 ft, longer than any section
	mostFlange  = 12.0   // in
	leastMastic = 0.001  // in
	mostMastic  = 1.0    // in
	mostCount   = 100    // fasteners of one part
	mostFlexFt  = 100.0  // ft of one crossover
	mostStraps  = 50     // of one crossover, and ft of one strap
	mostWaste   = 0.99   // fraction
	mostPieces  = 500    // of one kind in one job
	mostJobs    = 1000   // in one total
)

func (p Parameters) check() error {
	const root = "/parameters/"
	for _, q := range []struct {
		argument       string
		x, least, most float64
		unit           string
	}{
		{root + "stock_width_in", p.StockWidthIn, 1, mostIn, "in"},
		{root + "blank_allowance_in", p.BlankAllowanceIn, 0, mostFlange, "in"},
		{root + "end_flange_in", p.EndFlangeIn, 0, mostFlange, "in"},
		{root + "side_flange_in", p.SideFlangeIn, 0, mostFlange, "in"},
		{root + "board_thickness_in", p.BoardThicknessIn, 0.125, mostFlange, "in"},
		{root + "bracket_least_width_in", p.BracketLeastWidthIn, 0.125, mostFlange, "in"},
		{root + "bracket_most_width_in", p.BracketMostWidthIn, p.BracketLeastWidthIn, mostFlange, "in"},
		{root + "duct_patch_lap_in", p.DuctPatchLapIn, 0, mostFlange, "in"},
		{root + "wrap_patch_lap_in", p.WrapPatchLapIn, 0, 10 * mostFlange, "in"},
		{root + "mastic_thickness_in", p.MasticThicknessIn, leastMastic, mostMastic, "in"},
		{root + "mastic_bead_width_in", p.MasticBeadWidthIn, 0, mostFlange, "in"},
		{root + "mesh_overlap_in", p.MeshOverlapIn, 0, mostFlange, "in"},
		{root + "blank_screws_count", float64(p.BlankScrewsCount), 0, mostCount, "screws"},
		{root + "bracket_screws_count", float64(p.BracketScrewsCount), 0, mostCount, "screws"},
		{root + "collar_screws_count", float64(p.CollarScrewsCount), 0, mostCount, "screws"},
		{root + "bands_per_collar_count", float64(p.BandsPerCollarCount), 0, mostCount, "bands"},
		{root + "collars_per_duct_count", float64(p.CollarsPerDuctCount), 0, mostCount, "collars"},
		{root + "duct_patch_screws_count", float64(p.DuctPatchScrewsCount), 0, mostCount, "screws"},
		{root + "nails_per_part_count", float64(p.NailsPerPartCount), 0, mostCount, "nails"},
		{root + "strap_length_ft", p.StrapLengthFt, 0, mostStraps, "ft"},
		{root + "waste_ratio", p.WasteRatio, 0, mostWaste, "(fraction)"},
	} {
		if err := stat.Within(q.argument, q.x, q.least, q.most, q.unit); err != nil {
			return err
		}
	}
	return nil
}

// size refuses a length that is not above zero, or is outside 0.01 to 1,200 in.
func size(argument string, in float64) error {
	if err := stat.Positive(argument, in, "in"); err != nil {
		return err
	}
	return stat.Within(argument, in, leastIn, mostIn, "in")
}

// sizes refuses the first of several lengths that is not one.
func sizes(named ...namedSize) error {
	for _, n := range named {
		if err := size(n.argument, n.in); err != nil {
			return err
		}
	}
	return nil
}

type namedSize struct {
	argument string
	in       float64
}
