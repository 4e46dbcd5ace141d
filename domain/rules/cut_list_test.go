package rules

import (
	"math"
	"slices"
	"testing"

	"ductledger/domain"
	"ductledger/domain/cutlist"
)

func (j *jobUnderTest) cut() CutList {
	j.Helper()
	list, err := j.assemble().CutList(cutlist.DefaultParameters())
	if err != nil {
		j.Fatal(err)
	}
	return list
}

func pieces(l CutList, kind cutlist.Kind) (list []cutlist.Piece) {
	for _, p := range l.Pieces {
		if p.Kind == kind {
			list = append(list, p)
		}
	}
	return list
}

// The invented job: trunks 14 × 5 in, three sloped metal blanks and one board, a
// hole of 8 × 8 in, two wrap openings without sizes, one crossover of 12 in,
// three detached boots that were nailed. Geometry [calc].
func TestCutListOfTheInventedJob(t *testing.T) {
	l := clean(t).cut()
	blanks := pieces(l, cutlist.SlopedBlankPiece)
	if len(blanks) != 3 || math.Abs(blanks[0].LengthIn-(math.Sqrt(50)+2)) > 1e-12 || blanks[0].WidthIn != 14.5 {
		t.Errorf("blanks %+v", blanks)
	}
	if got := pieces(l, cutlist.BoardPlugBlank); len(got) != 1 || got[0].WidthIn != 14 || *got[0].BevelDeg != 45 {
		t.Errorf("board %+v", got)
	}
	if got := pieces(l, cutlist.DuctPatch); len(got) != 1 || got[0].LengthIn != 10 || got[0].WidthIn != 10 {
		t.Errorf("patch %+v", got)
	}
	if got := pieces(l, cutlist.BracketStrip); len(got) != 0 {
		t.Errorf("nailed parts need no bracket: %+v", got)
	}
	// 3 blanks × 6, patch 4, crossover 2 × 4; bands 2 × 2
	// 3 loose boots × 4 nails
	if l.Totals.NailsCount != 12 || l.Totals.FlexLengthFt != 0 {
		t.Errorf("%+v", l.Totals)
	}
	if l.Totals.ScrewsCount != 18+4+8 || l.Totals.BandsCount != 4 || l.Totals.MasticGal <= 0 {
		t.Errorf("%+v", l.Totals)
	}
	if len(l.LeftOut) != 1 || len(l.LeftOut[0].Subjects) != 2 {
		t.Errorf("left out %+v", l.LeftOut)
	}
	for _, row := range l.Used {
		switch row.Material {
		case "metal_in2": // the patch, 10 × 10, against the list's 100 in²
			if *row.Used != 100 || row.Listed != 100 || row.Outcome != cutlist.AsListed {
				t.Errorf("%+v", row)
			}
		case "screws_count": // 18 in blanks, 8 in collars, against as many
			if *row.Used != 26 || row.Listed != 26 {
				t.Errorf("%+v", row)
			}
		case "bands_count":
			if *row.Used != 4 || row.Listed != 4 {
				t.Errorf("%+v", row)
			}
		}
	}
	if len(l.Used) != 3 || len(l.Assumed) == 0 || len(l.Records) == 0 || l.MethodVersion == "" {
		t.Errorf("%+v", l)
	}
}

func TestCutListFollowsTheRecords(t *testing.T) {
	for _, row := range []struct {
		name string
		do   func(j *jobUnderTest)
		kind cutlist.Kind
		want int
	}{
		{"nothing repaired yet: blanks for all ends", func(j *jobUnderTest) { j.dropAll(domain.RepairKind, domain.PhotoKind) }, cutlist.SlopedBlankPiece, 4},
		{"loose parts not yet fixed", func(j *jobUnderTest) { j.dropAll(domain.RepairKind, domain.PhotoKind) }, cutlist.BracketStrip, 3},
		{"a tight end", func(j *jobUnderTest) {
			c, id := j.part(domain.TrunkEnd, "A", 0, domain.Rear)
			bare(j, c, id, domain.FoundTight, "")
		}, cutlist.SlopedBlankPiece, 2},
		{"trunks without a size", func(j *jobUnderTest) {
			for _, section := range []domain.Section{"A", "B"} {
				c, _ := j.part(domain.Trunk, section, 0, "")
				c.InsideWidthIn = nil
			}
		}, cutlist.SlopedBlankPiece, 0},
		{"a cap", func(j *jobUnderTest) { j.repair(4).EndClosure.Form = domain.CapFromBelow }, cutlist.SlopedBlankPiece, 2},
		{"a wrap opening with a size", func(j *jobUnderTest) { j.opening(0).WidthIn, j.opening(0).LengthIn = new(20.0), new(30.0) }, cutlist.WrapPatch, 1},
		{"the same in rigid board", func(j *jobUnderTest) {
			j.opening(0).WidthIn, j.opening(0).LengthIn = new(20.0), new(30.0)
			j.home().WrapKind = domain.RigidBoard
		}, cutlist.WrapPatch, 0},
		{"a found hole left open", func(j *jobUnderTest) { j.opening(2).WidthIn, j.opening(2).LengthIn = new(20.0), new(30.0) }, cutlist.WrapPatch, 0},
		{"an empty job", func(j *jobUnderTest) {
			j.dropAll(domain.RepairKind, domain.PhotoKind, domain.ComponentKind, domain.CrossoverKind, domain.OpeningKind)
		}, cutlist.DuctPatch, 0},
	} {
		t.Run(row.name, func(t *testing.T) {
			j := clean(t)
			row.do(j)
			if got := pieces(j.cut(), row.kind); len(got) != row.want {
				t.Errorf("%d of %s, want %d: %+v", len(got), row.kind, row.want, got)
			}
		})
	}
}

// coat is what one place takes.
func (j *jobUnderTest) coat(place string) (c cutlist.Coat) {
	for _, one := range j.cut().Coats {
		if one.Place == place {
			c.AreaIn2, c.MeshIn = c.AreaIn2+one.AreaIn2, c.MeshIn+one.MeshIn
		}
	}
	return c
}

// Coats [calc]: a bead of 2 in along once round a register of 4 × 10 in at
// each joint, 60 in at the furnace, 24 in of seam, π·d at a collar; mesh is as
// long and 1 in more where a gap is over 1/4 in.
func TestCutListCoats(t *testing.T) {
	lengthwise := func(j *jobUnderTest) { j.lengthwise() }
	for _, row := range []struct {
		name, place string
		do          func(j *jobUnderTest)
		area, mesh  float64
	}{
		{"a boot, crosswise: two joints", "boot A1", func(*jobUnderTest) {}, 2 * 28 * 2, 0},
		{"a boot, lengthwise: one", "boot A1", lengthwise, 28 * 2, 0},
		{"a boot whose repair tells a wide gap", "boot A2", func(*jobUnderTest) {}, 2 * 28 * 2, 2*28 + 1},
		{"a riser, crosswise", "riser A1", func(j *jobUnderTest) {
			j.add(&domain.Component{JobID: j.job, Component: domain.Riser, Section: "A", Number: new(1), Found: domain.FoundLeaky})
		}, 28 * 2, 0},
		{"furnace joint", "furnace joint A", func(*jobUnderTest) {}, 60 * 2, 60 + 1},
		{"the seam of a trunk", "repair of trunk A", func(*jobUnderTest) {}, 24 * 2, 0},
		{"both collars of a crossover, by the duct", "crossover A→B", func(j *jobUnderTest) {
			j.crossing().Ends[0].CollarDiameterIn, j.crossing().Ends[1].CollarDiameterIn = nil, nil
		}, math.Pi * 12 * 2 * 2, 0},
		{"both collars of a crossover, by the collar", "crossover A→B", func(j *jobUnderTest) { j.crossing().Ends[0].CollarDiameterIn = new(10.0) },
			math.Pi * 10 * 2 * 2, 0},
		{"out of reach, and yet repaired", "boot A3", func(j *jobUnderTest) {
			c, _ := j.boot("A", 3)
			c.Found = domain.FoundNotAccessible
		}, 2 * 28 * 2, 0},
		{"out of reach", "boot A3", func(j *jobUnderTest) {
			c, id := j.boot("A", 3)
			bare(j, c, id, domain.FoundNotAccessible, "")
		}, 0, 0},
	} {
		j := clean(t)
		row.do(j)
		if c := j.coat(row.place); math.Abs(c.AreaIn2-row.area) > 1e-9 || math.Abs(c.MeshIn-row.mesh) > 1e-9 {
			t.Errorf("%s: %v in² and %v in of mesh, want %v and %v", row.name, c.AreaIn2, c.MeshIn, row.area, row.mesh)
		}
	}
}

// Each trunk has its own size.
func TestCutListOfTwoTrunks(t *testing.T) {
	j := clean(t)
	c, _ := j.part(domain.Trunk, "B", 0, "")
	c.InsideWidthIn = new(16.0)
	var widths []float64
	for _, p := range pieces(j.cut(), cutlist.SlopedBlankPiece) {
		widths = append(widths, p.WidthIn)
	}
	if !slices.Equal(widths, []float64{14.5, 14.5, 16.5}) {
		t.Errorf("%v", widths)
	}
}

// Openings: what the crew made, closed or not, and found ones that were closed;
// without a size they are left out.
func TestCutListOpenings(t *testing.T) {
	sized := func(w, l *float64) func(*jobUnderTest) {
		return func(j *jobUnderTest) { j.opening(1).WidthIn, j.opening(1).LengthIn = w, l }
	}
	for _, row := range []struct {
		name          string
		do            func(j *jobUnderTest)
		patches, left int // of ducts; notes of what is left out
	}{
		{"as it is", func(*jobUnderTest) {}, 1, 1},
		{"not yet closed", func(j *jobUnderTest) { j.opening(1).ClosedAt = nil }, 1, 1},
		{"a found one that was closed", func(j *jobUnderTest) {
			o := j.opening(2)
			o.In, o.ClosedAt, o.WidthIn, o.LengthIn = domain.InDuct, when("14:00"), new(4.0), new(4.0)
		}, 2, 1},
		{"no width", sized(nil, new(8.0)), 0, 1}, {"no length", sized(new(8.0), nil), 0, 1},
		{"width 0", sized(new(0.0), new(8.0)), 0, 1}, {"length 0", sized(new(8.0), new(0.0)), 0, 1},
	} {
		j := clean(t)
		row.do(j)
		l := j.cut()
		if got := pieces(l, cutlist.DuctPatch); len(got) != row.patches || len(l.LeftOut) != row.left {
			t.Errorf("%s: %d patches, %+v", row.name, len(got), l.LeftOut)
		}
	}
}

// Metal that is recorded is set beside the metal of the same parts; half a
// size is none.
func TestCutListUsedMetal(t *testing.T) {
	blank := func(w, l *float64) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			j.repair(4).EndClosure.BlankWidthIn, j.repair(4).EndClosure.BlankLengthIn = w, l
		}
	}
	patch := func(w, l *float64) func(*jobUnderTest) {
		return func(j *jobUnderTest) { j.opening(1).Closure.PatchWidthIn, j.opening(1).Closure.PatchLengthIn = w, l }
	}
	for _, row := range []struct {
		name string
		do   func(j *jobUnderTest)
		used float64 // in²; 0: nothing recorded
	}{
		{"the patch", func(*jobUnderTest) {}, 100},
		{"patch and a sloped blank", blank(new(14.5), new(9.0)), 100 + 130.5},
		{"a sloped blank without length", blank(new(14.5), nil), 100}, {"a sloped blank without width", blank(nil, new(9.0)), 100},
		{"a patch without width", patch(nil, new(10.0)), 0}, {"a patch without length", patch(new(10.0), nil), 0},
	} {
		j := clean(t)
		row.do(j)
		used := 0.0
		for _, r := range j.cut().Used {
			if r.Material == "metal_in2" {
				used = *r.Used
			}
		}
		if used != row.used {
			t.Errorf("%s: %v in², want %v", row.name, used, row.used)
		}
	}
}

// A size that no duct has is refused, not listed.
func TestCutListRefusesImpossibleSizes(t *testing.T) {
	j := clean(t)
	c, _ := j.part(domain.Trunk, "A", 0, "")
	c.InsideWidthIn = new(5000.0)
	if _, err := j.assemble().CutList(cutlist.DefaultParameters()); err == nil {
		t.Error("a trunk of 5,000 in is listed")
	}
}

// A run of 10 ft that is replaced, straps 4 ft apart: 2 straps of 5 ft [calc].
// What the crew says of the whole job stands beside the whole list.
func TestCutListFlexStrapsAndExceptions(t *testing.T) {
	j := clean(t)
	j.crossing().LengthFt = new(10.0)
	j.jobRecord().MaterialsUsed = []domain.MaterialUsed{{Material: "flex_length_ft", Used: 25}, {Material: "strap_length_ft", Used: 10}}
	l := j.cut()
	if l.Totals.FlexLengthFt != 10 || l.Totals.StrapLengthFt != 10 {
		t.Errorf("%+v", l.Totals)
	}
	if len(l.Exceptions) != 2 || l.Exceptions[0].Outcome != cutlist.MoreThanListed || l.Exceptions[1].Outcome != cutlist.AsListed {
		t.Errorf("%+v", l.Exceptions)
	}
	_, v := j.judge()
	if len(v.Findings) != 1 || v.Findings[0].Detail != "this job: flex: 25 ft used, 10 ft listed." {
		t.Error(show(v.Findings))
	}
}
