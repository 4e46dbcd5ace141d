package performance

import (
	"math"
	"math/big"
	"math/bits"
	"slices"
	"sync"

	"ductledger/domain/stat"
)

// logUnits is the number of steps in which a natural logarithm is counted:
// 2^44 to the unit, so a step is 6·10⁻¹⁴. Sums of steps are exact in any
// order, and the steps hide that processors disagree about the last bits of a
// logarithm (Go has its own assembly for it on some).
const (
	logBits  = 44
	logUnits = 1 << logBits
)

// logSteps is ln(value/center) in steps. Both are above 0, in one unit.
func logSteps(value, center float64) int64 {
	return int64(math.RoundToEven(math.Log(value/center) * logUnits))
}

// usualTenths is the reading below which logarithms are looked up: 3,276.8 cfm25.
const usualTenths = 1 << 15

// usualLogs are the logarithms of usual readings. Each is needed several times, and
// looking it up takes a tenth of the time.
var usualLogs = sync.OnceValue(func() *[usualTenths]int64 {
	var steps [usualTenths]int64
	for tenths := 1; tenths < usualTenths; tenths++ {
		steps[tenths] = logSteps(float64(tenths), centerTenths)
	}
	return &steps
})

// logOf is the logarithm of a reading of so many tenths of cfm25, above 0, in steps.
func logOf(tenths int64) int64 {
	if tenths < usualTenths {
		return usualLogs()[tenths]
	}
	return logSteps(float64(tenths), centerTenths)
}

// A wide is a signed 128-bit sum: 2^28 jobs with the squares of the largest
// logarithms that readings can have do not fill it.
type wide struct {
	hi int64
	lo uint64
}

func (w *wide) add(v wide) {
	var carry uint64
	w.lo, carry = bits.Add64(w.lo, v.lo, 0)
	w.hi += v.hi + int64(carry)
}

func (w *wide) sub(v wide) {
	var borrow uint64
	w.lo, borrow = bits.Sub64(w.lo, v.lo, 0)
	w.hi -= v.hi + int64(borrow)
}

func wideOf(a int64) wide { return wide{hi: a >> 63, lo: uint64(a)} }

// product is a·b without loss.
func product(a, b int64) wide {
	hi, lo := bits.Mul64(uint64(a), uint64(b))
	if a < 0 {
		hi -= uint64(b)
	}
	if b < 0 {
		hi -= uint64(a)
	}
	return wide{hi: int64(hi), lo: lo}
}

// short tells whether w fits 62 bits, so that the product of two fits 124.
func (w wide) short() bool { return w.hi == int64(w.lo)>>63 && int64(w.lo)>>61 == w.hi }

// times is w·n for n from 0 to 2^31; ok where it fits 126 bits.
func (w wide) times(n int64) (scaled wide, ok bool) {
	top, low := bits.Mul64(w.lo, uint64(n))
	if n > math.MaxInt32 || w.hi >= 1<<31 || w.hi < -1<<31 {
		return wide{}, false
	}
	return wide{hi: w.hi*n + int64(top), lo: low}, true
}

func (w wide) big() *big.Int {
	v := new(big.Int).Lsh(big.NewInt(w.hi), 64)
	return v.Add(v, new(big.Int).SetUint64(w.lo))
}

// toFloat is v·2^−shift, rounded once.
func toFloat(v *big.Int, shift int) float64 {
	f, _ := new(big.Float).SetInt(v).Float64()
	return math.Ldexp(f, -shift)
}

// float is w·2^−shift, rounded once.
func (w wide) float(shift int) float64 {
	sign := 1.0
	if w.hi < 0 {
		sign = -1
		w.lo, w.hi = -w.lo, ^w.hi
		if w.lo == 0 {
			w.hi++
		}
	}
	if w.hi == 0 {
		return math.Ldexp(sign*float64(w.lo), -shift)
	}
	free := bits.LeadingZeros64(uint64(w.hi))
	top := uint64(w.hi)<<free | w.lo>>(64-free)
	if w.lo<<free != 0 {
		top |= 1 // what is cut off decides only what lies in the middle of two floats
	}
	return math.Ldexp(sign*float64(top), 64-free-shift)
}

// logs is w as a logarithm, or a sum of logarithms.
func (w wide) logs() float64 { return w.float(logBits) }

// crossed is n·Σab − Σa·Σb as an exact integer in squared steps: n times the
// centered sum of products, without the cancellation that floats suffer.
func crossed(n int64, ab, a, b wide) *big.Int {
	v := ab.big()
	v.Mul(v, big.NewInt(n))
	return v.Sub(v, new(big.Int).Mul(a.big(), b.big()))
}

// centered is Σ(a−ā)(b−b̄) of n pairs of logarithms from their sums. Where all fits
// 128 bits, as it does but for the largest programs, no big number is made.
func centered(n int64, ab, a, b wide) float64 {
	if n == 0 {
		return 0
	}
	if scaled, ok := ab.times(n); ok && a.short() && b.short() {
		scaled.sub(product(int64(a.lo), int64(b.lo)))
		return scaled.float(2*logBits) / float64(n)
	}
	return toFloat(crossed(n, ab, a, b), 2*logBits) / float64(n)
}

// shifted is w·2^k.
func (w wide) shifted(k uint) wide {
	return wide{hi: w.hi<<k | int64(w.lo>>(64-k)), lo: w.lo << k}
}

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

// sortFrom puts words in ascending order of their lowest so many bytes, those that are
// equal in them as they stand: byte by byte, passing over bytes in which all
// agree. Of 100,000 readings it takes a tenth of the time of comparing them.
func sortFrom(words []uint64, bytes int) {
	if len(words) < 2 {
		return
	}
	differ := uint64(0)
	for _, w := range words {
		differ |= w ^ words[0]
	}
	from, to := words, make([]uint64, len(words))
	for shift := 0; shift < 8*bytes; shift += 8 {
		if differ>>shift&0xff == 0 {
			continue
		}
		var next [256]int
		for _, w := range from {
			next[w>>shift&0xff]++
		}
		sum := 0
		for b, n := range next {
			next[b], sum = sum, sum+n
		}
		for _, w := range from {
			b := w >> shift & 0xff
			to[next[b]] = w
			next[b]++
		}
		from, to = to, from
	}
	copy(words, from)
}

// between are the values of a rank from below and from above, both from 1.
func (o order) between(rank int64) (low, high int32) {
	return o[rank-1], o[int64(len(o))-rank]
}
