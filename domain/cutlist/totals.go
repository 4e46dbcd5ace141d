package cutlist

import (
	"math"

	"ductledger/domain/stat"
)

// Totals is the material of one job or of several.
type Totals struct {
	PiecesCount int `json:"pieces_count"`
	// Not in the run of the roll.
	WiderThanStockCount int     `json:"wider_than_stock_count"`
	MetalIn2            float64 `json:"metal_in2"`
	// Run of the roll, each piece laid by itself.
	MetalStockIn  float64 `json:"metal_stock_length_in"`
	BoardIn2      float64 `json:"board_in2"`
	WrapFabricIn2 float64 `json:"wrap_fabric_in2"`
	MeshIn        float64 `json:"mesh_length_in"`
	MasticIn3     float64 `json:"mastic_in3"`
	MasticGal     float64 `json:"mastic_gal"`
	ScrewsCount   int     `json:"screws_count"`
	BandsCount    int     `json:"bands_count"`
	NailsCount    int     `json:"nails_count"`
	// New flexible duct.
	FlexLengthFt  float64 `json:"flex_length_ft"`
	StrapLengthFt float64 `json:"strap_length_ft"`
	// Of bracket strip; its metal is counted above too.
	MetalStripIn float64 `json:"metal_strip_length_in"`
}

func (t *Totals) addPiece(piece Piece) {
	t.PiecesCount++
	if piece.Kind == BracketStrip {
		t.MetalStripIn += piece.LengthIn
	}
	switch piece.Material {
	case Metal:
		t.MetalIn2 += piece.AreaIn2
		if piece.WiderThanStock {
			t.WiderThanStockCount++
		} else {
			t.MetalStockIn += *piece.StockLengthIn
		}
	case DuctBoard:
		t.BoardIn2 += piece.AreaIn2
	case WrapFabric:
		t.WrapFabricIn2 += piece.AreaIn2
	}
}

func (t *Totals) addCoat(coat Coat) {
	t.MasticIn3 += coat.MasticIn3
	t.MeshIn += coat.MeshIn
}

// plus is the sum of two totals.
func (t Totals) plus(o Totals) Totals {
	t.PiecesCount += o.PiecesCount
	t.WiderThanStockCount += o.WiderThanStockCount
	t.MetalIn2 += o.MetalIn2
	t.MetalStockIn += o.MetalStockIn
	t.BoardIn2 += o.BoardIn2
	t.WrapFabricIn2 += o.WrapFabricIn2
	t.MeshIn += o.MeshIn
	t.MasticIn3 += o.MasticIn3
	t.MasticGal = t.MasticIn3 / CubicInchesPerGallon
	t.ScrewsCount += o.ScrewsCount
	t.BandsCount += o.BandsCount
	t.NailsCount += o.NailsCount
	t.FlexLengthFt += o.FlexLengthFt
	t.StrapLengthFt += o.StrapLengthFt
	t.MetalStripIn += o.MetalStripIn
	return t
}

// countSlack lets 10 screws and 10 % be 11, not the 12 that 11.000000000000002
// would round up to.
const countSlack = 1e-9

// withWaste is what to take along for t: each length, area and volume times
// 1 + waste, screws, bands and nails up to whole ones. The pieces stay as they are.
func (t Totals) withWaste(waste float64) Totals {
	factor := 1 + waste
	for _, q := range []*float64{&t.MetalIn2, &t.MetalStockIn, &t.BoardIn2, &t.WrapFabricIn2, &t.MeshIn, &t.MasticIn3, &t.FlexLengthFt, &t.StrapLengthFt, &t.MetalStripIn} {
		*q *= factor
	}
	t.MasticGal = t.MasticIn3 / CubicInchesPerGallon
	for _, n := range []*int{&t.ScrewsCount, &t.BandsCount, &t.NailsCount} {
		*n = int(math.Ceil(float64(float64(*n)*factor) - countSlack))
	}
	return t
}

// A Load is what several jobs take, for whoever loads the truck.
type Load struct {
	Method        string `json:"method"`
	MethodVersion string `json:"method_version"`
	Lists         []List `json:"jobs"`              // in the order of the jobs
	Totals        Totals `json:"totals"`            // sum of the jobs' totals
	WithWaste     Totals `json:"totals_with_waste"` // waste once, on the sum
}

// ForJobs lists several jobs and adds their totals in order. Waste is put on
// the sum, so counts are rounded up once and not per job. Refused: more than
// 1,000 jobs, and what ForJob refuses, under /jobs/0, /jobs/1 … Source: sums
// [calc].
func ForJobs(jobs []Job, p Parameters) (Load, error) {
	if len(jobs) > mostJobs {
		return Load{}, stat.Refuse(stat.TooMany, "/jobs", "", "%d jobs are more than %d", len(jobs), mostJobs)
	}
	if err := p.check(); err != nil {
		return Load{}, err
	}
	load := Load{Method: Method, MethodVersion: MethodVersion, Lists: make([]List, 0, len(jobs))}
	for i, job := range jobs {
		list, err := ForJob(job, p)
		if err != nil {
			return Load{}, stat.Under(pointer("/jobs", i), err)
		}
		load.Lists = append(load.Lists, list)
		load.Totals = load.Totals.plus(list.Totals)
	}
	load.WithWaste = load.Totals.withWaste(p.WasteRatio)
	return load, nil
}
