package performance

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ductledger/domain/stat"
)

// The order statistics of whole numbers are those of package stat, whose tests
// hold published ones, over the same numbers as floats.
func TestOrderStatistics(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Int32Range(-1<<30, 1<<30), 1, 300).Draw(t, "values")
		o := order(slices.Clone(values)).sorted()
		floats := make([]float64, len(values))
		for i, v := range slices.Sorted(slices.Values(values)) {
			floats[i] = inCFM25(v)
		}
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		want, err := stat.Quantile(floats, p)
		if got := o.quantile(p, inCFM25); err != nil || got != want {
			t.Fatalf("quantile %v of %d: %v, want %v, %v", p, len(values), got, want, err)
		}
		bounds := newTables().median(int64(len(values)))
		rank, _, err := stat.MedianRank(len(floats), Level)
		if (err != nil) != (bounds.rank == 0) {
			t.Fatalf("%d values have an interval at rank %d: %v", len(values), bounds.rank, err)
		}
		if err == nil {
			low, high := o.between(bounds.rank)
			if inCFM25(low) != floats[rank-1] || inCFM25(high) != floats[len(floats)-rank] {
				t.Fatalf("between %v and %v, want %v and %v", inCFM25(low), inCFM25(high), floats[rank-1], floats[len(floats)-rank])
			}
		}
	})
}
