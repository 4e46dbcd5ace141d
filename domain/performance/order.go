package performance

import (
	"slices"

	"ductledger/domain/stat"
)

// An order holds whole numbers, such as readings in tenths of cfm25, of which
// order statistics are wanted. sorted puts it in order; the rest needs that.
type order []int32

func (o order) sorted() order {
	slices.Sort(o)
	return o
}

// quantile is the type-7 p-quantile in the unit that of gives. Not of none.
func (o order) quantile(p float64, of func(int32) float64) float64 {
	j, part := stat.QuantileRank(len(o), p)
	if part == 0 {
		return of(o[j])
	}
	return of(o[j]) + float64(part*(of(o[j+1])-of(o[j])))
}

// middleHalf gives the quarter points and the median between them.
func (o order) middleHalf(of func(int32) float64) (points [3]*float64) {
	for i, p := range [...]float64{0.25, 0.5, 0.75} {
		points[i] = ptr(o.quantile(p, of))
	}
	return points
}

// between are the values of a rank from below and from above, both from 1.
func (o order) between(rank int64) (low, high int32) {
	return o[rank-1], o[int64(len(o))-rank]
}
