package cutlist

import (
	"errors"
	"math"
	"testing"

	"ductledger/domain/stat"
)

func near(t *testing.T, name string, got, want, tol float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tol {
		t.Errorf("%s: %.17g, want %.17g within %g", name, got, want, tol)
	}
}

func refused(t *testing.T, name string, err error, code, argument string) {
	t.Helper()
	var r *stat.Refusal
	if !errors.As(err, &r) {
		t.Errorf("%s: %v, want a refusal", name, err)
		return
	}
	if r.Code != code || r.Argument != argument || r.Detail == "" {
		t.Errorf("%s: refused with %q %q %q, want %q %q", name, r.Code, r.Argument, r.Detail, code, argument)
	}
}

// with changes the default parameters.
func with(change func(*Parameters)) Parameters {
	p := DefaultParameters()
	change(&p)
	return p
}

func TestPieces(t *testing.T) {
	standard := DefaultParameters()
	lap3 := with(func(p *Parameters) { p.DuctPatchLapIn = 3 })
	lap1 := with(func(p *Parameters) { p.WrapPatchLapIn = 1 })
	root2 := math.Sqrt2
	for _, c := range []struct {
		name          string
		make          func() (Piece, error)
		length, width float64
		area, tol     float64
		stock         float64 // run of the 14 in roll; 0: not from the roll
		wider         bool
		source        string
	}{
		{"flat blank of a 14 × 5 duct", func() (Piece, error) { return FlatBlank{DuctWidthIn: 14, DuctHeightIn: 5}.Blank(standard) },
			5.5, 14.5, 79.75, 0, 14.5, false, "0.25 in larger on every side [cp]; area [calc]"},
		{"flat blank wider both ways", func() (Piece, error) { return FlatBlank{DuctWidthIn: 16, DuctHeightIn: 14}.Blank(standard) },
			14.5, 16.5, 239.25, 0, 0, true, "as above; stock of 14 in [cp]"},
		{"flat blank exactly as wide as the stock", func() (Piece, error) { return FlatBlank{DuctWidthIn: 16, DuctHeightIn: 13.5}.Blank(standard) },
			14, 16.5, 231, 0, 16.5, false, "as above: a limit is not over"},
		{"small flat blank lies across", func() (Piece, error) { return FlatBlank{DuctWidthIn: 11.5, DuctHeightIn: 4.5}.Blank(standard) },
			5, 12, 60, 0, 5, false, "[calc]"},
		{"slope 5 and 5", func() (Piece, error) { return SlopedBlank{DuctWidthIn: 10, DuctHeightIn: 5, RunIn: 5}.Blank(standard) },
			9.071068, 10, 90.71068, 5e-6, 9.071068, false, "√(H²+R²)+2f, f 1 [calc]"},
		{"slope 5 and 8", func() (Piece, error) { return SlopedBlank{DuctWidthIn: 14, DuctHeightIn: 5, RunIn: 8}.Blank(standard) },
			11.43398, 14, 160.0757, 5e-5, 11.43398, false, "√(H²+R²)+2f, f 1 [calc]"},
		{"the same, screwed to the side walls", func() (Piece, error) {
			return SlopedBlank{DuctWidthIn: 14, DuctHeightIn: 5, RunIn: 8, ScrewedToSideWalls: true}.Blank(standard)
		}, 11.43398, 14.5, 165.79271, 5e-5, 14.5, false, "0.25 in more on each side [cp]; 11.4339811 × 14.5 [calc]"},
		{"upright slope", func() (Piece, error) { return SlopedBlank{DuctWidthIn: 12, DuctHeightIn: 5}.Blank(standard) },
			7, 12, 84, 0, 7, false, "[calc] R 0: the height and two flanges"},
		{"board on a slope of 45°", func() (Piece, error) { return BoardPlug{DuctWidthIn: 14, DuctHeightIn: 5, RunIn: 5}.Blank(standard) },
			5*root2 + 1, 14, (5*root2 + 1) * 14, 1e-12, 0, false, "[calc] slab of 1 in between planes 5 in apart"},
		{"upright board", func() (Piece, error) { return BoardPlug{DuctWidthIn: 14, DuctHeightIn: 5}.Blank(standard) },
			5, 14, 70, 0, 0, false, "[calc]"},
		{"board is not cut from the roll", func() (Piece, error) { return BoardPlug{DuctWidthIn: 20, DuctHeightIn: 20}.Blank(standard) },
			20, 20, 400, 0, 0, false, "the stock width is the metal's"},
		{"bracket", func() (Piece, error) { return Bracket{TrunkLegIn: 4, OtherLegIn: 3, WidthIn: 2}.Strip(standard) },
			7, 2, 14, 0, 2, false, "[calc] both legs"},
		{"duct patch, lap 1", func() (Piece, error) { return Hole{LengthIn: 6, WidthIn: 8}.PatchOnDuct(standard) },
			8, 10, 80, 0, 8, false, "(a+2L)×(b+2L) [calc]"},
		{"duct patch, lap 3", func() (Piece, error) { return Hole{LengthIn: 6, WidthIn: 8}.PatchOnDuct(lap3) },
			12, 14, 168, 0, 12, false, "(a+2L)×(b+2L) [calc]"},
		{"wrap patch, lap 3", func() (Piece, error) { return Hole{LengthIn: 6, WidthIn: 8}.PatchOnWrap(standard) },
			12, 14, 168, 0, 0, false, "(a+2L)×(b+2L) [calc]"},
		{"wrap patch, lap 1", func() (Piece, error) { return Hole{LengthIn: 6, WidthIn: 8}.PatchOnWrap(lap1) },
			8, 10, 80, 0, 0, false, "(a+2L)×(b+2L) [calc]"},
	} {
		piece, err := c.make()
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		name := c.name + " (" + c.source + ")"
		near(t, name+" length", piece.LengthIn, c.length, math.Max(c.tol, 1e-15))
		near(t, name+" width", piece.WidthIn, c.width, 0)
		near(t, name+" area", piece.AreaIn2, c.area, c.tol*20)
		if piece.WiderThanStock != c.wider {
			t.Errorf("%s: wider than stock %v", name, piece.WiderThanStock)
		}
		switch {
		case piece.StockLengthIn == nil && c.stock != 0:
			t.Errorf("%s: no run of the roll, want %v", name, c.stock)
		case piece.StockLengthIn != nil:
			near(t, name+" run of the roll", *piece.StockLengthIn, c.stock, c.tol)
		}
	}
}

func TestMarks(t *testing.T) {
	p := DefaultParameters()
	flat, _ := FlatBlank{DuctWidthIn: 14, DuctHeightIn: 5}.Blank(p)
	board, _ := BoardPlug{DuctWidthIn: 14, DuctHeightIn: 5, RunIn: 5}.Blank(p)
	strip, _ := Bracket{TrunkLegIn: 4, OtherLegIn: 3, WidthIn: 2.5}.Strip(p)
	if flat.CornerNotchIn == nil || board.BevelDeg == nil || strip.BendAtIn == nil {
		t.Fatalf("a mark is lacking: %+v %+v %+v", flat, board, strip)
	}
	near(t, "notch as the allowance", *flat.CornerNotchIn, 0.25, 0)
	near(t, "bevel of H = R", *board.BevelDeg, 45, 1e-12)
	near(t, "bend at the trunk's leg", *strip.BendAtIn, 4, 0)
}

func TestPiecesRefused(t *testing.T) {
	p := DefaultParameters()
	for _, c := range []struct {
		name     string
		make     func() (Piece, error)
		code     string
		argument string
	}{
		{"no width", func() (Piece, error) { return FlatBlank{DuctHeightIn: 5}.Blank(p) }, stat.NotPositive, "/duct_width_in"},
		{"no height", func() (Piece, error) { return FlatBlank{DuctWidthIn: 5, DuctHeightIn: math.NaN()}.Blank(p) }, stat.NotFinite, "/duct_height_in"},
		{"longer than a section", func() (Piece, error) { return FlatBlank{DuctWidthIn: 1201, DuctHeightIn: 5}.Blank(p) }, stat.OutOfRange, "/duct_width_in"},
		{"run backwards", func() (Piece, error) { return SlopedBlank{DuctWidthIn: 14, DuctHeightIn: 5, RunIn: -1}.Blank(p) }, stat.OutOfRange, "/run_in"},
		{"board laid flat", func() (Piece, error) { return BoardPlug{DuctWidthIn: 14, DuctHeightIn: 0.01, RunIn: 1200}.Blank(p) }, stat.OutOfRange, "/run_in"},
		{"narrow bracket", func() (Piece, error) { return Bracket{TrunkLegIn: 4, OtherLegIn: 3, WidthIn: 1.99}.Strip(p) }, stat.OutOfRange, "/width_in"},
		{"broad bracket", func() (Piece, error) { return Bracket{TrunkLegIn: 4, OtherLegIn: 3, WidthIn: 2.51}.Strip(p) }, stat.OutOfRange, "/width_in"},
		{"bracket of one leg", func() (Piece, error) { return Bracket{TrunkLegIn: 4, WidthIn: 2}.Strip(p) }, stat.NotPositive, "/other_leg_in"},
		{"hole without length", func() (Piece, error) { return Hole{WidthIn: 8}.PatchOnDuct(p) }, stat.NotPositive, "/length_in"},
		{"endless hole", func() (Piece, error) { return Hole{LengthIn: 8, WidthIn: math.Inf(1)}.PatchOnWrap(p) }, stat.NotFinite, "/width_in"},
		{"negative allowance", func() (Piece, error) {
			return FlatBlank{DuctWidthIn: 14, DuctHeightIn: 5}.Blank(with(func(p *Parameters) { p.BlankAllowanceIn = -1 }))
		}, stat.OutOfRange, "/parameters/blank_allowance_in"},
		{"no parameters", func() (Piece, error) { return Hole{LengthIn: 8, WidthIn: 8}.PatchOnDuct(Parameters{}) }, stat.OutOfRange, "/parameters/stock_width_in"},
	} {
		_, err := c.make()
		refused(t, c.name, err, c.code, c.argument)
	}
}

func TestMastic(t *testing.T) {
	for _, c := range []struct {
		ft2, thickness, gallons, tol float64
		source                       string
	}{
		{80, 0.020, 1, 0.003, "sealant data sheets print 80 ft² a gallon; 231/(144·0.020) = 80.2 [calc]"},
		{50, 0.032, 1, 0.003, "sealant data sheets print 50 ft² a gallon; 231/(144·0.032) = 50.1 [calc]"},
		{20.895, 0.0767717, 1, 5e-5, "a five-cent coin, 1.95 mm: US Mint [pub]; [calc]"},
	} {
		in3, gallons, err := MasticVolume(144*c.ft2, c.thickness)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.source, gallons, c.gallons, c.tol)
		near(t, "in³", in3, 231*gallons, 1e-12)
	}
	_, _, err := MasticVolume(-1, 0.02)
	refused(t, "negative area", err, stat.OutOfRange, "/area_in2")
	_, _, err = MasticVolume(1, 0.02*100)
	refused(t, "mils for inches", err, stat.OutOfRange, "/thickness_in")
}
