package performance

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Counting gives the order statistics of sorting, however the readings are cut
// into parts.
func TestReadingsAreSorted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := rapid.SliceOfN(rapid.Int64Range(1, 700), 1, 2000).Draw(t, "tenths")
		cut := rapid.IntRange(0, len(all)).Draw(t, "cut")
		var whole, part readings
		for _, v := range all[:cut] {
			whole.add(v)
		}
		for _, v := range all[cut:] {
			part.add(v)
		}
		whole.merge(&part)
		slices.Sort(all)
		for rank, want := range all {
			if got := whole.at(int64(rank)); got != want {
				t.Fatalf("rank %d of %d is %d, want %d", rank, len(all), got, want)
			}
		}
		if whole.n != int64(len(all)) || len(whole.values) > 700 {
			t.Fatalf("%d readings, %d different", whole.n, len(whole.values))
		}
	})
}
