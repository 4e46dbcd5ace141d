package performance

import (
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// settled reads the values again until the ranks are known, and says how often.
func settled(t interface{ Fatal(...any) }, o *order, values []int32, ranks ...int64) (times int) {
	for o.seek(ranks...) {
		times++
		for _, v := range values {
			o.again(v)
		}
		if err := o.close(); err != nil {
			t.Fatal(err)
		}
	}
	return times
}

// Bins give the order statistics of sorting, whatever the values' order, however
// they are cut into parts and however few bins there are.
func TestOrderIsSorting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.SampledFrom([]int32{3, 700, 1 << 29}).Draw(t, "size")
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 6))
		values := make([]int32, rapid.IntRange(1, 3000).Draw(t, "n"))
		for i := range values {
			values[i] = size - r.Int32N(2*size)
		}
		switch rapid.IntRange(0, 2).Draw(t, "drift") {
		case 0:
			slices.Sort(values)
		case 1:
			slices.Sort(values)
			slices.Reverse(values)
		}
		most := rapid.IntRange(20, 300).Draw(t, "most")
		marks := rapid.SampledFrom([][]mark{middle, quarters}).Draw(t, "marks")
		cut := rapid.IntRange(0, len(values)).Draw(t, "cut")
		whole, part := order{most: most, marks: marks}, order{most: most, marks: marks}
		for _, v := range values[:cut] {
			whole.add(v)
		}
		for _, v := range values[cut:] {
			part.add(v)
		}
		whole.merge(&part)
		if len(whole.bins) > most || whole.n != int64(len(values)) {
			t.Fatalf("%d bins of %d, %d values of %d", len(whole.bins), most, whole.n, len(values))
		}
		ranks := rapid.SliceOfN(rapid.Int64Range(0, int64(len(values)-1)), 1, 5).Draw(t, "ranks")
		slices.Sort(ranks)
		settled(t, &whole, values, ranks...)
		sorted := slices.Sorted(slices.Values(values))
		for _, rank := range ranks {
			if got, err := whole.at(rank); err != nil || got != sorted[rank] {
				t.Fatalf("rank %d of %d is %d, want %d, %v", rank, len(values), got, sorted[rank], err)
			}
		}
	})
}
