package rules

import (
	"math"
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

// The invented job: trunks 14 × 5 in, three metal sweeps and one board, a
// hole of 8 × 8 in, two wrap openings without sizes, one crossover of 12 in,
// three detached boots that were nailed. Geometry [calc].
func TestCutListOfTheInventedJob(t *testing.T) {
	l := clean(t).cut()
	sweeps := pieces(l, cutlist.SlopedSweepBlank)
	if len(sweeps) != 3 || math.Abs(sweeps[0].LengthIn-(math.Sqrt(50)+2)) > 1e-12 || sweeps[0].WidthIn != 14.5 {
		t.Errorf("sweeps %+v", sweeps)
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
	// 3 sweeps × 6, patch 4, crossover 2 × 4; bands 2 × 2
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
		case "screws_count": // 18 in sweeps, 8 in collars, against as many
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
		{"nothing repaired yet: sweeps for all ends", func(j *jobUnderTest) { j.dropAll(domain.RepairKind, domain.PhotoKind) }, cutlist.SlopedSweepBlank, 4},
		{"loose parts not yet fixed", func(j *jobUnderTest) { j.dropAll(domain.RepairKind, domain.PhotoKind) }, cutlist.BracketStrip, 3},
		{"a tight end", func(j *jobUnderTest) {
			c, id := j.part(domain.TrunkEnd, "A", 0, domain.Rear)
			bare(j, c, id, domain.FoundTight, "")
		}, cutlist.SlopedSweepBlank, 2},
		{"trunks without a size", func(j *jobUnderTest) {
			for _, section := range []domain.Section{"A", "B"} {
				c, _ := j.part(domain.Trunk, section, 0, "")
				c.InsideWidthIn = nil
			}
		}, cutlist.SlopedSweepBlank, 0},
		{"a cap", func(j *jobUnderTest) { j.repair(4).EndClosure.Form = domain.CapFromBelow }, cutlist.SlopedSweepBlank, 2},
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

// A size that no duct has is refused, not listed.
func TestCutListRefusesImpossibleSizes(t *testing.T) {
	j := clean(t)
	c, _ := j.part(domain.Trunk, "A", 0, "")
	c.InsideWidthIn = new(5000.0)
	if _, err := j.assemble().CutList(cutlist.DefaultParameters()); err == nil {
		t.Error("a trunk of 5,000 in is listed")
	}
}
