package cutlist

import (
	"math"

	"ductledger/domain/stat"
)

// Units of volume and area.
const (
	CubicInchesPerGallon = 231.0 // in³ in a US gallon, by definition (NIST SP 811 [mem])
	mostMasticAreaIn2    = 1e8   // in²
)

// MasticVolume is the mastic on an area, in in³ and US gallons:
//
//	V = area·thickness        gallons = V/231
//
// with the area in in² and the thickness in in, wet: what dries away is in
// the bucket all the same. Refused: area below zero or above 1e8 in²,
// thickness outside 0.001 to 1 in. Source: [calc].
func MasticVolume(areaIn2, thicknessIn float64) (in3, gallons float64, err error) {
	if err := stat.Within("/area_in2", areaIn2, 0, mostMasticAreaIn2, "in²"); err != nil {
		return 0, 0, err
	}
	if err := stat.Within("/thickness_in", thicknessIn, leastMastic, mostMastic, "in"); err != nil {
		return 0, 0, err
	}
	in3 = areaIn2 * thicknessIn
	return in3, in3 / CubicInchesPerGallon, nil
}

// A Seal is a joint or seam to coat, with mesh under the mastic or without.
type Seal struct {
	// Where it goes, in the words of the crew.
	Place string `json:"place,omitempty" validate:"min=1,max=60"`
	// In in.
	LengthIn float64 `json:"length_in" validate:"gt=0,lte=1200"`
	// Of the coat in in.
	WidthIn float64 `json:"width_in" validate:"gt=0,lte=1200"`
	// Absent, the parameter.
	ThicknessIn *float64 `json:"thickness_in,omitempty" validate:"gte=0.001,lte=1"`
	// With mesh under the mastic.
	Mesh bool `json:"mesh" default:"false"`
}

// A Coat is the mastic that one place takes.
type Coat struct {
	Place       string  `json:"place,omitempty"`
	On          string  `json:"on"` // a piece's kind, "crossover_collars" or "seal"
	AreaIn2     float64 `json:"area_in2"`
	ThicknessIn float64 `json:"thickness_in"`
	MasticIn3   float64 `json:"mastic_in3"`
	MeshIn      float64 `json:"mesh_length_in"`
}

// Coat is the mastic (in³) and the mesh (in) of a seal: length × width ×
// thickness, and mesh as long as the seam and its overlap. Refused: length or width not above
// zero or above 1,200 in, thickness outside 0.001 to 1 in. Source: [calc].
func (s Seal) Coat(p Parameters) (Coat, error) {
	if err := p.check(); err != nil {
		return Coat{}, err
	}
	if err := sizes(namedSize{"/length_in", s.LengthIn}, namedSize{"/width_in", s.WidthIn}); err != nil {
		return Coat{}, err
	}
	thickness := p.MasticThicknessIn
	if s.ThicknessIn != nil {
		thickness = *s.ThicknessIn
	}
	coat, err := coated("seal", s.Place, s.LengthIn*s.WidthIn, thickness)
	if err == nil && s.Mesh {
		coat.MeshIn = s.LengthIn + p.MeshOverlapIn
	}
	return coat, err
}

func coated(on, place string, areaIn2, thicknessIn float64) (Coat, error) {
	in3, _, err := MasticVolume(areaIn2, thicknessIn)
	return Coat{Place: place, On: on, AreaIn2: areaIn2, ThicknessIn: thicknessIn, MasticIn3: in3}, err
}

// edgeCoat is the mastic all round a closure: the edge of a W × l rectangle,
// 2(W + l), as wide as the bead.
func edgeCoat(kind Kind, place string, widthIn, lengthIn float64, p Parameters) (Coat, error) {
	return coated(string(kind), place, float64(2*(widthIn+lengthIn))*p.MasticBeadWidthIn, p.MasticThicknessIn)
}

// patchCoat is the mastic of a patch on a duct: under it where it laps
// (patch less hole), and over the whole of it.
func patchCoat(h Hole, patch Piece, p Parameters) (Coat, error) {
	under := patch.AreaIn2 - float64(h.LengthIn*h.WidthIn)
	return coated(string(DuctPatch), h.Place, under+patch.AreaIn2, p.MasticThicknessIn)
}

// collarCoat is the mastic of a crossover's collars where they meet the
// trunk: π·d all round each, as wide as the bead. None between core and
// collar: wet, it lets the core slide off.
func collarCoat(x Crossover, p Parameters) (Coat, error) {
	area := float64(math.Pi*x.CollarDiameterIn) * p.MasticBeadWidthIn * float64(p.CollarsPerDuctCount)
	return coated("crossover_collars", x.Place, area, p.MasticThicknessIn)
}
