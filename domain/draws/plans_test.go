package draws

import (
	"math"
	"testing"

	"ductledger/domain/stat"
)

// Single sampling plans for normal inspection. The code letters of general inspection level II
// and the plans at their limits of quality: E is 13 and 0, H is 50 and 1 at 1.0 %, J is 80 and 2.
// Sources: ISO 2859-1:1999 tables 1 and 2-A [mem]; the chances [calc], of which the standard's
// own charts tell that a lot at the limit mostly passes.
func TestSamplingPlans(t *testing.T) {
	for _, c := range []struct {
		n, c      int
		p, passed float64
	}{{50, 1, .01, .9106}, {13, 0, .01, .8775}, {50, 1, .0756, .1}, {13, 0, .162, .1}, {80, 2, .01, .9534}} {
		tail, err := stat.BinomialTail(c.c+1, c.n, c.p)
		if err != nil || math.Abs(1-tail-c.passed) > 6e-4 {
			t.Errorf("the plan (%d, %d) passes %.4f bad with the chance %.4f, want %.4f (%v)", c.n, c.c, c.p, 1-tail, c.passed, err)
		}
	}
	// Of a lot as small as a contractor's month the binomial is not right: 50 jobs, 5 bad, 8 looked at.
	exact := stat.AcceptanceChance(8, 0, 5, 50)
	tail, err := stat.BinomialTail(1, 8, .1)
	if err != nil || math.Abs(exact-.40149) > 5e-6 || math.Abs(1-tail-.43047) > 5e-6 { // [calc], both in whole numbers
		t.Errorf("exact %.5f, binomial %.5f (%v)", exact, 1-tail, err)
	}
}
