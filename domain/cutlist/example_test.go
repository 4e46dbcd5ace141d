package cutlist_test

import (
	"fmt"

	"ductledger/domain/cutlist"
)

// One end gets a flat blank, the other a slope; a hand opening is patched.
func Example() {
	list, err := cutlist.ForJob(cutlist.Job{
		FlatBlanks:   []cutlist.FlatBlank{{Place: "A front", DuctWidthIn: 14, DuctHeightIn: 5}},
		SlopedBlanks: []cutlist.SlopedBlank{{Place: "A rear", DuctWidthIn: 14, DuctHeightIn: 5, RunIn: 8}},
		DuctPatches:  []cutlist.Hole{{Place: "A 20 ft", LengthIn: 6, WidthIn: 8}},
	}, cutlist.DefaultParameters())
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, piece := range list.Pieces {
		fmt.Printf("%s, %s: %.2f × %.2f in\n", piece.Place, piece.Kind, piece.LengthIn, piece.WidthIn)
	}
	fmt.Printf("metal %.0f in², mastic %.2f gal, %d screws with waste\n",
		list.WithWaste.MetalIn2, list.WithWaste.MasticGal, list.WithWaste.ScrewsCount)
	// Output:
	// A front, flat_blank: 5.50 × 14.50 in
	// A rear, sloped_blank: 11.43 × 14.00 in
	// A 20 ft, duct_patch: 8.00 × 10.00 in
	// metal 352 in², mastic 0.10 gal, 18 screws with waste
}
