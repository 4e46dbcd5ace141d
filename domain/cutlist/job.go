package cutlist

import (
	"strconv"

	"ductledger/domain/stat"
)

// A Crossover is a duct between sections that is taken down and put back: its
// collars get screws, bands and mastic.
type Crossover struct {
	// Where it goes, in the words of the crew.
	Place string `json:"place,omitempty" validate:"min=1,max=60"`
	// Of the collars in in.
	CollarDiameterIn float64 `json:"collar_diameter_in" validate:"gt=0,lte=1200"`
	// Of new flexible duct in ft; 0, the old one goes back.
	FlexLengthFt float64 `json:"flex_length_ft,omitempty" validate:"gte=0,lte=100"`
	// Straps that hold it up.
	StrapsCount int `json:"straps_count,omitempty" validate:"gte=0,lte=50"`
}

// A NailedPart is a part that is nailed to the floor on all its sides.
type NailedPart struct {
	// Where it is, in the words of the crew.
	Place string `json:"place,omitempty" validate:"min=1,max=60"`
	// Parts of that sort.
	PartsCount int `json:"parts_count" validate:"gte=1,lte=100"`
}

// A Job is what the crew will make on one home.
type Job struct {
	FlatBlanks   []FlatBlank   `json:"flat_blanks,omitempty" validate:"max=100,dive"`
	SlopedBlanks []SlopedBlank `json:"sloped_blanks,omitempty" validate:"max=100,dive"`
	BoardPlugs   []BoardPlug   `json:"board_plugs,omitempty" validate:"max=100,dive"`
	Brackets     []Bracket     `json:"brackets,omitempty" validate:"max=100,dive"`
	// The holes, not the patches.
	DuctPatches []Hole `json:"duct_patches,omitempty" validate:"max=100,dive"`
	// The holes, not the patches.
	WrapPatches []Hole       `json:"wrap_patches,omitempty" validate:"max=100,dive"`
	Crossovers  []Crossover  `json:"crossovers,omitempty" validate:"max=100,dive"`
	Seals       []Seal       `json:"seals,omitempty" validate:"max=100,dive"`
	NailedParts []NailedPart `json:"nailed_parts,omitempty" validate:"max=100,dive"`
}

// Method and version of a list. A version is the day from which the
// computation is the one in this package.
const (
	Method        = "cut_list"
	MethodVersion = "2026-11-01"
)

// Sentences of a list.
const (
	metalCaution = "Cut sheet metal is sharp: wear cut-resistant gloves and eye protection and tape the edges of hand openings. Local code and licensed people decide what may be opened and by whom."
	wideNote     = "A blank is wider than the stock both ways: make it of two pieces with a lap, or use wider stock."
)

// A List is what to cut and how much material one job takes.
type List struct {
	// cut_list.
	Method string `json:"method"`
	// The version of the computation.
	MethodVersion string  `json:"method_version"`
	Pieces        []Piece `json:"pieces"`
	// Mastic and mesh of each place.
	Coats []Coat `json:"coats"`
	// As cut, without waste.
	Totals Totals `json:"totals"`
	// What to take along.
	WithWaste Totals   `json:"totals_with_waste"`
	Notes     []string `json:"notes,omitempty"`
	// Where the work can hurt.
	Caution string `json:"caution,omitempty"`
	// Allowances and counts as used.
	Parameters Parameters `json:"parameters"`
}

// ForJob lists the pieces in the order of Job's fields, the mastic and mesh of
// each place, and the totals. An empty job gives an empty list. Units are
// those of the package, formulas those of each piece. Refused: what each piece
// refuses, with the place in the request named, such as
// /flat_blanks/0/duct_width_in, and more than 500 of a kind. Source: that of
// each piece; totals are sums [calc].
func ForJob(job Job, p Parameters) (List, error) {
	if err := p.check(); err != nil {
		return List{}, err
	}
	if err := job.checkCounts(); err != nil {
		return List{}, err
	}
	b := builder{p: p, list: List{
		Method: Method, MethodVersion: MethodVersion, Parameters: p,
		Pieces: []Piece{}, Coats: []Coat{},
	}}
	for i, s := range job.FlatBlanks {
		piece, err := s.Blank(p)
		b.piece(piece, err, "/flat_blanks", i)
		coat, err := edgeCoat(FlatBlankPiece, s.Place, s.DuctWidthIn, s.DuctHeightIn, p)
		b.coat(coat, err, "/flat_blanks", i)
		b.list.Totals.ScrewsCount += p.BlankScrewsCount
	}
	for i, s := range job.SlopedBlanks {
		piece, err := s.Blank(p)
		b.piece(piece, err, "/sloped_blanks", i)
		coat, err := edgeCoat(SlopedBlankPiece, s.Place, s.DuctWidthIn, slope(s.DuctHeightIn, s.RunIn), p)
		b.coat(coat, err, "/sloped_blanks", i)
		b.list.Totals.ScrewsCount += p.BlankScrewsCount
	}
	for i, s := range job.BoardPlugs {
		piece, err := s.Blank(p)
		b.piece(piece, err, "/board_plugs", i)
		coat, err := edgeCoat(BoardPlugBlank, s.Place, s.DuctWidthIn, slope(s.DuctHeightIn, s.RunIn), p)
		b.coat(coat, err, "/board_plugs", i)
	}
	for i, s := range job.Brackets {
		piece, err := s.Strip(p)
		b.piece(piece, err, "/brackets", i)
		b.list.Totals.ScrewsCount += p.BracketScrewsCount
	}
	for i, h := range job.DuctPatches {
		piece, err := h.PatchOnDuct(p)
		b.piece(piece, err, "/duct_patches", i)
		coat, err := patchCoat(h, piece, p)
		b.coat(coat, err, "/duct_patches", i)
		b.list.Totals.ScrewsCount += p.DuctPatchScrewsCount
	}
	for i, h := range job.WrapPatches {
		piece, err := h.PatchOnWrap(p)
		b.piece(piece, err, "/wrap_patches", i)
	}
	for i, x := range job.Crossovers {
		err := size("/collar_diameter_in", x.CollarDiameterIn)
		b.refuse(err, "/crossovers", i)
		coat, err := collarCoat(x, p)
		b.coat(coat, err, "/crossovers", i)
		b.refuse(stat.Within("/flex_length_ft", x.FlexLengthFt, 0, mostFlexFt, "ft"), "/crossovers", i)
		b.refuse(stat.Within("/straps_count", float64(x.StrapsCount), 0, mostStraps, "straps"), "/crossovers", i)
		b.list.Totals.FlexLengthFt += x.FlexLengthFt
		b.list.Totals.StrapLengthFt += float64(float64(x.StrapsCount) * p.StrapLengthFt)
		b.list.Totals.ScrewsCount += p.CollarScrewsCount * p.CollarsPerDuctCount
		b.list.Totals.BandsCount += p.BandsPerCollarCount * p.CollarsPerDuctCount
	}
	for i, s := range job.Seals {
		coat, err := s.Coat(p)
		b.coat(coat, err, "/seals", i)
	}
	for i, n := range job.NailedParts {
		b.refuse(stat.Within("/parts_count", float64(n.PartsCount), 1, mostCount, "parts"), "/nailed_parts", i)
		b.list.Totals.NailsCount += n.PartsCount * p.NailsPerPartCount
	}
	if b.err != nil {
		return List{}, b.err
	}
	return b.done(), nil
}

func (job Job) checkCounts() error {
	for _, k := range []struct {
		argument string
		count    int
	}{
		{"/flat_blanks", len(job.FlatBlanks)},
		{"/sloped_blanks", len(job.SlopedBlanks)},
		{"/board_plugs", len(job.BoardPlugs)},
		{"/brackets", len(job.Brackets)},
		{"/duct_patches", len(job.DuctPatches)},
		{"/wrap_patches", len(job.WrapPatches)},
		{"/crossovers", len(job.Crossovers)},
		{"/seals", len(job.Seals)},
		{"/nailed_parts", len(job.NailedParts)},
	} {
		if k.count > mostPieces {
			return stat.Refuse(stat.TooMany, k.argument, "send one job at a time", "%d are more than %d", k.count, mostPieces)
		}
	}
	return nil
}

// pointer is the JSON Pointer of an element of a list.
func pointer(list string, index int) string {
	return list + "/" + strconv.Itoa(index)
}
