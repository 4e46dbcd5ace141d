package cutlist

import (
	"math"
	"testing"

	"ductledger/domain/stat"
)

func TestCompareUsed(t *testing.T) {
	list, err := ForJob(invented(), DefaultParameters())
	if err != nil {
		t.Fatal(err)
	}
	metal, mastic, mesh, none, fabric := 420.0, 2*list.WithWaste.MasticGal, 61.0, 0.0, 720*0.9
	screws, bands := 20, 5
	rows, err := CompareUsed(list.Totals, list.WithWaste, Used{
		MetalIn2: &metal, MasticGal: &mastic, MeshIn: &mesh, BoardIn2: &none, WrapFabricIn2: &fabric,
		ScrewsCount: &screws, BandsCount: &bands,
	}, DefaultUsedTolerance)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []struct {
		material string
		outcome  Outcome
	}{
		{"metal_in2", AsListed},
		{"board_in2", LessThanListed},
		{"wrap_fabric_in2", AsListed}, // exactly a tenth less is not less
		{"mesh_length_in", AsListed},
		{"mastic_gal", MoreThanListed},
		{"screws_count", LessThanListed}, // 20 of 29
		{"bands_count", AsListed},
	} {
		r := rows[i]
		if r.Material != want.material || r.Outcome != want.outcome || (r.Asks == "") != (want.outcome == AsListed) {
			t.Errorf("row %d: %+v, want %+v", i, r, want)
		}
	}
	near(t, "difference", *rows[0].Difference, 420-403.75, 1e-12)
	near(t, "ratio", *rows[4].Ratio, 2.2, 1e-12) // twice the list with its tenth of waste
}

func TestUsedNotRecordedOrNotListed(t *testing.T) {
	one := 1.0
	rows, err := CompareUsed(Totals{}, Totals{}, Used{BoardIn2: &one}, DefaultUsedTolerance)
	if err != nil {
		t.Fatal(err)
	}
	if rows[0].Outcome != NotRecorded || rows[0].Used != nil || rows[0].Difference != nil || rows[0].Asks != "" {
		t.Errorf("not recorded: %+v", rows[0])
	}
	if rows[1].Outcome != MoreThanListed || rows[1].Ratio != nil || *rows[1].Difference != 1 {
		t.Errorf("used and not listed: %+v", rows[1])
	}
}

func TestUsedRefused(t *testing.T) {
	below, no := -1, math.NaN()
	_, err := CompareUsed(Totals{}, Totals{}, Used{ScrewsCount: &below}, 0.1)
	refused(t, "negative screws", err, stat.OutOfRange, "/used/screws_count")
	_, err = CompareUsed(Totals{}, Totals{}, Used{MetalIn2: &no}, 0.1)
	refused(t, "not a number", err, stat.NotFinite, "/used/metal_in2")
	_, err = CompareUsed(Totals{}, Totals{}, Used{}, 10)
	refused(t, "percent for a fraction", err, stat.OutOfRange, "/used_tolerance_ratio")
	_, err = CompareUsed(Totals{MeshIn: 2}, Totals{MeshIn: 1}, Used{}, 0.1)
	refused(t, "totals the wrong way round", err, stat.OutOfRange, "/listed_with_waste/mesh_length_in")
	_, err = CompareUsed(Totals{MeshIn: -2}, Totals{MeshIn: 1}, Used{}, 0.1)
	refused(t, "negative list", err, stat.OutOfRange, "/listed/mesh_length_in")
}
