package cutlist

import "math"

// A Kind is what a piece is for.
type Kind string

// The kinds of pieces.
const (
	FlatBlankPiece   Kind = "flat_blank"
	SlopedBlankPiece Kind = "sloped_blank"
	BoardPlugBlank   Kind = "board_plug"
	BracketStrip     Kind = "bracket_strip"
	DuctPatch        Kind = "duct_patch"
	WrapPatch        Kind = "wrap_patch"
)

// A Material is what a piece is cut from.
type Material string

// The materials of pieces.
const (
	Metal      Material = "metal"
	DuctBoard  Material = "duct_board"
	WrapFabric Material = "wrap_fabric"
)

// A Piece is one rectangle to cut.
type Piece struct {
	Kind           Kind     `json:"kind"`
	Place          string   `json:"place,omitempty"` // where it goes, in the crew's words
	Material       Material `json:"material"`
	LengthIn       float64  `json:"length_in"`
	WidthIn        float64  `json:"width_in"`
	AreaIn2        float64  `json:"area_in2"`                  // of the rectangle, before notches: what the stock gives
	CornerNotchIn  *float64 `json:"corner_notch_in,omitempty"` // square cut from each corner
	BendAtIn       *float64 `json:"bend_at_in,omitempty"`      // bracket strip: from its end, bent to 90°
	BevelDeg       *float64 `json:"bevel_deg,omitempty"`       // board: top and bottom edge, off square, so that they lie on the duct
	WiderThanStock bool     `json:"wider_than_stock"`          // both ways: does not fit on the roll, make it of two or use other stock
	StockLengthIn  *float64 `json:"stock_length_in,omitempty"` // run of the roll that it takes; metal that fits only
}

// rectangle is a piece of the given sides, in in, with its area in in².
func rectangle(kind Kind, place string, material Material, lengthIn, widthIn float64) Piece {
	return Piece{Kind: kind, Place: place, Material: material, LengthIn: lengthIn, WidthIn: widthIn, AreaIn2: lengthIn * widthIn}
}

// onStock lays a metal piece across a roll of the given width: the longer side
// goes across where it fits, since that uses the least of the roll. A side
// exactly as wide as the stock fits.
func (piece Piece) onStock(stockWidthIn float64) Piece {
	long, short := math.Max(piece.LengthIn, piece.WidthIn), math.Min(piece.LengthIn, piece.WidthIn)
	switch {
	case short > stockWidthIn:
		piece.WiderThanStock = true
	case long <= stockWidthIn:
		piece.StockLengthIn = &short
	default:
		piece.StockLengthIn = &long
	}
	return piece
}
