package cutlist

import (
	"math"

	"ductledger/domain/stat"
)

// A FlatBlank is an upright metal blank that closes a trunk's end.
type FlatBlank struct {
	// Where it goes, in the words of the crew.
	Place string `json:"place,omitempty" validate:"min=1,max=60"`
	// W: inside width of the duct in in.
	DuctWidthIn float64 `json:"duct_width_in" validate:"gt=0,lte=1200"`
	// H: inside height of the duct in in.
	DuctHeightIn float64 `json:"duct_height_in" validate:"gt=0,lte=1200"`
}

// Blank is the piece to cut, with allowance c (default 0.25 in) on every
// side, folded to flanges, and corners notched by the same:
//
//	width = W + 2c    length = H + 2c    notch = c × c at each corner
//
// all in in; area in in². Refused: W or H not above zero, or above 1,200 in.
// Source: common practice [cp]; arithmetic [calc].
func (s FlatBlank) Blank(p Parameters) (Piece, error) {
	if err := p.check(); err != nil {
		return Piece{}, err
	}
	if err := duct(s.DuctWidthIn, s.DuctHeightIn); err != nil {
		return Piece{}, err
	}
	c := p.BlankAllowanceIn
	piece := rectangle(FlatBlankPiece, s.Place, Metal, s.DuctHeightIn+2*c, s.DuctWidthIn+2*c)
	piece.CornerNotchIn = &c
	return piece.onStock(p.StockWidthIn), nil
}

// A SlopedBlank is a metal blank set at a slope, or curved, so that it turns
// the air up into the last register.
type SlopedBlank struct {
	// Where it goes, in the words of the crew.
	Place string `json:"place,omitempty" validate:"min=1,max=60"`
	// W: inside width of the duct in in.
	DuctWidthIn float64 `json:"duct_width_in" validate:"gt=0,lte=1200"`
	// H: inside height of the duct in in.
	DuctHeightIn float64 `json:"duct_height_in" validate:"gt=0,lte=1200"`
	// R: along the duct from the lower to the upper end of the blank in in.
	RunIn float64 `json:"run_in" validate:"gte=0,lte=1200"`
	// Each side has a flange.
	ScrewedToSideWalls bool `json:"screwed_to_side_walls" default:"false"`
}

// Blank is the piece to cut:
//
//	length = √(H² + R²) + 2f        f: flange at each end (default 1 in)
//	width  = W + 2s                 s: flange at each side (default 0.25 in), 0 where it is not screwed to the walls
//
// all in in; area in in². R = 0 stands upright. Refused: W or H not above
// zero, R below zero, any above 1,200 in. Source: Pythagoras [calc]; flanges
// [cp]. A curve is longer than its chord; a quarter circle of H = R by 11 %.
func (s SlopedBlank) Blank(p Parameters) (Piece, error) {
	if err := p.check(); err != nil {
		return Piece{}, err
	}
	if err := sloped(s.DuctWidthIn, s.DuctHeightIn, s.RunIn); err != nil {
		return Piece{}, err
	}
	width := s.DuctWidthIn
	if s.ScrewedToSideWalls {
		width += 2 * p.SideFlangeIn
	}
	piece := rectangle(SlopedBlankPiece, s.Place, Metal, slope(s.DuctHeightIn, s.RunIn)+2*p.EndFlangeIn, width)
	return piece.onStock(p.StockWidthIn), nil
}

// A BoardPlug is a closure of duct board, cut on a taper, foil to the air.
type BoardPlug struct {
	// Where it goes, in the words of the crew.
	Place string `json:"place,omitempty" validate:"min=1,max=60"`
	// W: inside width of the duct in in.
	DuctWidthIn float64 `json:"duct_width_in" validate:"gt=0,lte=1200"`
	// H: inside height of the duct in in.
	DuctHeightIn float64 `json:"duct_height_in" validate:"gt=0,lte=1200"`
	// R: along the duct from the lower to the upper end of the plug in in.
	RunIn float64 `json:"run_in" validate:"gte=0,lte=1200"`
}

// Blank is the piece to cut from board of thickness t, so that both ends,
// cut on a bevel, lie flat on the floor and the roof of the duct:
//
//	length = √(H² + R²) + t·R/H     the foil face and the bevel's overhang
//	width  = W
//	bevel  = atan(R/H)              off square, in degrees
//
// lengths in in; area in in². R = 0 stands upright and has no bevel. Refused:
// W or H not above zero, R below zero, any above 1,200 in. Source: geometry
// of a slab between parallel planes [calc].
func (b BoardPlug) Blank(p Parameters) (Piece, error) {
	if err := p.check(); err != nil {
		return Piece{}, err
	}
	if err := sloped(b.DuctWidthIn, b.DuctHeightIn, b.RunIn); err != nil {
		return Piece{}, err
	}
	overhang := float64(p.BoardThicknessIn*b.RunIn) / b.DuctHeightIn
	if err := stat.Within("/run_in", overhang, 0, mostIn, "in of overhang"); err != nil {
		return Piece{}, err
	}
	piece := rectangle(BoardPlugBlank, b.Place, DuctBoard, slope(b.DuctHeightIn, b.RunIn)+overhang, b.DuctWidthIn)
	bevel := math.Atan2(b.RunIn, b.DuctHeightIn) * 180 / math.Pi
	piece.BevelDeg = &bevel
	return piece, nil
}

// slope is √(H² + R²), in in. Not math.Hypot: its assembly gives other last
// digits on a device.
func slope(heightIn, runIn float64) float64 {
	return math.Sqrt(float64(heightIn*heightIn) + float64(runIn*runIn))
}

func duct(widthIn, heightIn float64) error {
	return sizes(namedSize{"/duct_width_in", widthIn}, namedSize{"/duct_height_in", heightIn})
}

func sloped(widthIn, heightIn, runIn float64) error {
	if err := duct(widthIn, heightIn); err != nil {
		return err
	}
	return stat.Within("/run_in", runIn, 0, mostIn, "in")
}
