package world

import (
	"math"
)

// The draws of leakage, cfm at 25 Pa.
const (
	beforeMedian = 150.0
	beforeSpread = 0.6 // standard deviation of the logarithm
	afterMedian  = 60.0
	afterSpread  = 0.55
	correlation  = 0.6
	// What a duct fan can read, and what a crew would not send.
	leastBefore, mostBefore = 25.0, 900.0
	leastAfter              = 12.0
	mostLeft                = 0.92 // of before; more is a fault of its own
)

// drawLeakage draws before and after. With x and y standard normal,
//
//	before = 150·exp(0.6·x)
//	after  = 60·exp(0.55·(0.6·x + √(1 − 0.6²)·y))
//
// where a share of y's spread belongs to the contractor.
func (p *Plan) drawLeakage(d dice) (before, after float64) {
	x := d.NormFloat64()
	own := afterSpread * math.Sqrt(1-float64(correlation*correlation))
	rest := math.Sqrt(max(float64(own*own)-float64(crewSpread*crewSpread), 0))
	before = beforeMedian * math.Exp(float64(beforeSpread*x))
	after = afterMedian * math.Exp(float64(afterSpread*correlation*x)+float64(rest*d.NormFloat64())+p.Crew.leakier)
	before = min(max(before, leastBefore), mostBefore)
	after = min(max(after, leastAfter), mostLeft*before)
	if p.Fault == HigherAfter {
		after = 1.3 * before
	}
	return before, after
}

// fanReading is a pressure near 25 Pa with the flow that goes with a leakage:
// Q = Q25·(P/25)^0.6, in whole cfm as a gauge shows it.
func fanReading(d dice, cfm25 float64) (pressurePa, flowCFM float64) {
	pressurePa = float64(d.between(246, 254)) / 10
	return pressurePa, max(math.Round(cfm25*math.Pow(pressurePa/25, 0.6)), 1)
}
