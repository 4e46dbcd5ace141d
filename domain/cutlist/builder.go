package cutlist

import "ductledger/domain/stat"

// A builder gathers a list and keeps the first refusal.
type builder struct {
	p    Parameters
	list List
	err  error
}

// refuse keeps the first refusal, with the place in the request before it.
func (b *builder) refuse(err error, kind string, index int) {
	if err != nil && b.err == nil {
		b.err = stat.Under(pointer(kind, index), err)
	}
}

func (b *builder) piece(piece Piece, err error, kind string, index int) {
	b.refuse(err, kind, index)
	if b.err == nil {
		b.list.Pieces = append(b.list.Pieces, piece)
		b.list.Totals.addPiece(piece)
	}
}

func (b *builder) coat(coat Coat, err error, kind string, index int) {
	b.refuse(err, kind, index)
	if b.err == nil {
		b.list.Coats = append(b.list.Coats, coat)
		b.list.Totals.addCoat(coat)
	}
}

func (b *builder) done() List {
	l := b.list
	l.Totals.MasticGal = l.Totals.MasticIn3 / CubicInchesPerGallon
	l.WithWaste = l.Totals.withWaste(b.p.WasteRatio)
	if l.Totals.WiderThanStockCount > 0 {
		l.Notes = append(l.Notes, wideNote)
	}
	if l.Totals.MetalIn2 > 0 {
		l.Caution = metalCaution
	}
	return l
}
