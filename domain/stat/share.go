package stat

import (
	"math/bits"
	"slices"
	"strconv"
)

// Shares divides whole (100 for percents) in proportion to parts so that the
// shares are whole numbers and add up to it: each gets the floor of its exact
// share, and the largest remainders get one more, the earlier part first where
// remainders tie. Exact integer arithmetic.
//
//	14.75, 14.75, 14.75, 14.75, 41 → 15, 15, 15, 14, 41 of 100
//
// Refused: no part (too_few), a negative part (/parts/i) or whole (/whole),
// parts that add up to 0 or beyond int64 (/parts).
//
// Source: the method of largest remainders (Hamilton) [mem].
func Shares(parts []int64, whole int64) ([]int64, error) {
	if len(parts) == 0 {
		return nil, Refuse(TooFew, "/parts", "", "0 parts, at least 1 is needed")
	}
	if whole < 0 {
		return nil, Refuse(Negative, "/whole", "", "%d is less than 0", whole)
	}
	var total int64
	for i, p := range parts {
		if p < 0 {
			return nil, Refuse(Negative, "/parts/"+strconv.Itoa(i), "", "%d is less than 0", p)
		}
		if total += p; total < 0 {
			return nil, Refuse(OutOfRange, "/parts", "", "the parts add up to more than 9223372036854775807")
		}
	}
	if total == 0 {
		return nil, Refuse(NotPositive, "/parts", "", "the parts add up to 0: there is nothing to share by")
	}
	shares, remainders, order := make([]int64, len(parts)), make([]uint64, len(parts)), make([]int, len(parts))
	left := whole
	for i, p := range parts {
		high, low := bits.Mul64(uint64(p), uint64(whole))
		quotient, remainder := bits.Div64(high, low, uint64(total))
		shares[i], remainders[i], order[i] = int64(quotient), remainder, i
		left -= shares[i]
	}
	slices.SortStableFunc(order, func(i, j int) int {
		switch {
		case remainders[i] > remainders[j]:
			return -1
		case remainders[i] < remainders[j]:
			return 1
		}
		return 0
	})
	for _, i := range order[:left] {
		shares[i]++
	}
	return shares, nil
}
