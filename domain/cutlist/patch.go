package cutlist

import "ductledger/domain/stat"

// A Hole is a rectangular opening to close with a patch.
type Hole struct {
	// Where it goes, in the words of the crew.
	Place string `json:"place,omitempty" validate:"min=1,max=60"`
	// a: of the hole in in.
	LengthIn float64 `json:"length_in" validate:"gt=0,lte=1200"`
	// b: of the hole in in.
	WidthIn float64 `json:"width_in" validate:"gt=0,lte=1200"`
}

// PatchOnDuct is the metal patch over a hole in a duct, lap L on all sides:
//
//	(a + 2L) × (b + 2L)      in in; area in in²
//
// Refused: a or b not above zero or above 1,200 in, parameters outside their
// range. Source: arithmetic [calc]; L ≥ 1 in [cp].
func (h Hole) PatchOnDuct(p Parameters) (Piece, error) {
	piece, err := h.patch(DuctPatch, Metal, p.DuctPatchLapIn, p)
	if err != nil {
		return Piece{}, err
	}
	return piece.onStock(p.StockWidthIn), nil
}

// PatchOnWrap is the fabric patch over a hole in the wrap, with the lap for wrap
// (default 3 in); formula and units as PatchOnDuct. Refused: as by PatchOnDuct.
// Source: arithmetic [calc]; L [cp].
func (h Hole) PatchOnWrap(p Parameters) (Piece, error) {
	return h.patch(WrapPatch, WrapFabric, p.WrapPatchLapIn, p)
}

func (h Hole) patch(kind Kind, material Material, lapIn float64, p Parameters) (Piece, error) {
	if err := p.check(); err != nil {
		return Piece{}, err
	}
	if err := sizes(namedSize{"/length_in", h.LengthIn}, namedSize{"/width_in", h.WidthIn}); err != nil {
		return Piece{}, err
	}
	return rectangle(kind, h.Place, material, h.LengthIn+2*lapIn, h.WidthIn+2*lapIn), nil
}

// A Bracket is an angle that holds a boot or a trunk: a strip of metal bent to
// 90°, one leg on the trunk, the other on the floor or a joist.
type Bracket struct {
	// Where it goes, in the words of the crew.
	Place string `json:"place,omitempty" validate:"min=1,max=60"`
	// Leg on the trunk in in.
	TrunkLegIn float64 `json:"trunk_leg_in" validate:"gt=0,lte=1200"`
	// The other leg in in.
	OtherLegIn float64 `json:"other_leg_in" validate:"gt=0,lte=1200"`
	// Width of the strip in in.
	WidthIn float64 `json:"width_in" validate:"gt=0,lte=1200"`
}

// Strip is the piece to cut, in in: both legs long, bent at the trunk's leg. Thin
// metal needs no allowance for the bend. Refused: a leg not above zero or
// above 1,200 in, a width outside 2 to 2.5 in (parameters). Source: [cp].
func (b Bracket) Strip(p Parameters) (Piece, error) {
	if err := p.check(); err != nil {
		return Piece{}, err
	}
	if err := sizes(namedSize{"/trunk_leg_in", b.TrunkLegIn}, namedSize{"/other_leg_in", b.OtherLegIn}); err != nil {
		return Piece{}, err
	}
	if err := stat.Within("/width_in", b.WidthIn, p.BracketLeastWidthIn, p.BracketMostWidthIn, "in"); err != nil {
		return Piece{}, err
	}
	piece := rectangle(BracketStrip, b.Place, Metal, b.TrunkLegIn+b.OtherLegIn, b.WidthIn)
	bend := b.TrunkLegIn
	piece.BendAtIn = &bend
	return piece.onStock(p.StockWidthIn), nil
}
