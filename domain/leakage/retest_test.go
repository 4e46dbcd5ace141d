package leakage_test

import (
	"flag"
	"math"
	"math/rand/v2"
	"testing"

	"ductledger/domain/leakage"
)

var (
	worlds = flag.Int("worlds", 800, "simulated pairs of tests of unchanged ducts")
	seed   = flag.Uint64("seed", 20261130, "of the simulation")
)

// Unchanged ducts that are tested twice may be told apart in one of twenty
// pairs, however many readings a test has and whether one instrument or two
// made them: at most 6 %. The tests differ by what setting up anew changes (2 %),
// their readings by 0.3 %, two instruments by their calibration. With the other
// simulations, of many worlds each:
//
//	go test ./domain/leakage ./domain/performance -run Simulated -worlds 4000 -v
func TestSimulatedUnchangedDucts(t *testing.T) {
	tests := [][]float64{{25}, {20}, {20, 30}, {12, 22}, {20, 25, 30}, {15, 20, 25, 30, 35}, {12, 16, 20, 25, 30, 35, 40},
		{10, 12, 14, 16, 18, 20, 22, 24, 25, 26, 27, 28, 30, 32, 34, 36, 38, 40, 45, 50}}
	r := rand.New(rand.NewPCG(*seed, 18))
	p := leakage.DefaultFanParameters()
	for _, at := range tests {
		for _, same := range []bool{true, false} {
			apart, pairs := 0, 0
			for range *worlds {
				exponent := 0.6 + 0.03*r.NormFloat64()
				test := func(calibration float64) (leakage.FanTest, error) {
					anew := p.Accuracy.Repeatability * r.NormFloat64()
					readings := make([]leakage.Reading, len(at))
					for i, pa := range at {
						flow := 200 * math.Pow(pa/25, exponent) * math.Exp(calibration+anew+0.003*r.NormFloat64())
						readings[i] = leakage.Reading{PressurePa: pa, FlowCFM: flow}
					}
					return leakage.Fan(readings, p)
				}
				calibration := func() float64 { return 0.03 * (2*r.Float64() - 1) } // rectangular, as a certificate's limit is
				one := calibration()
				other := one
				reduce := leakage.DefaultReductionParameters()
				if same {
					reduce.SharedCalibration = 1
				} else {
					other = calibration()
				}
				a, err := test(one)
				if err != nil {
					continue // an exponent that no leak has
				}
				b, err := test(other)
				if err != nil {
					continue
				}
				change, err := leakage.Reduce(totalOf(a), totalOf(b), reduce)
				if err != nil {
					t.Fatal(err)
				}
				pairs++
				if change.Change != leakage.NoChange {
					apart++
				}
			}
			rate := float64(apart) / float64(pairs)
			t.Logf("%v Pa, same instrument %v: %.4f of %d pairs are told apart", at, same, rate, pairs)
			if most := 0.06 + 2*math.Sqrt(0.06*0.94/float64(pairs)); rate > most {
				t.Errorf("%v Pa, same instrument %v: %.4f of %d pairs of unchanged ducts are told apart, 0.06 is allowed", at, same, rate, pairs)
			}
		}
	}
}

// Seven readings whose flows scatter by 0.3 % once, and 0.3 % otherwise the next
// time, are no change and no reason to fix anything [calc].
func TestAQuarterPercentIsNoChange(t *testing.T) {
	p := leakage.DefaultFanParameters()
	read := func(scale float64) leakage.Measured[leakage.TotalLeakage] {
		var readings []leakage.Reading
		for i, pa := range []float64{12, 16, 20, 25, 30, 35, 40} {
			readings = append(readings, leakage.Reading{PressurePa: pa, FlowCFM: scale * math.Pow(pa/25, .6) * (1 + .0003*float64(i%2))})
		}
		test, err := leakage.Fan(readings, p)
		if err != nil {
			t.Fatal(err)
		}
		return totalOf(test)
	}
	same := leakage.DefaultReductionParameters()
	same.SharedCalibration = 1
	change, err := leakage.Reduce(read(200.05), read(200.57), same)
	if err != nil || change.Change != leakage.NoChange {
		t.Errorf("200.05 against 200.57 cfm25 is %s, %v", change.Change, err)
	}
}
