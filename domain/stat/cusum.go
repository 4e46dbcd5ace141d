package stat

import (
	"math"
	"strconv"
)

// CUSUMWeight is what a case adds to a cumulative sum that watches for odds of failing
// that are so many times as high; no unit. With p the chance of failing that is expected of the case
// and R the odds ratio:
//
//	ln R·y − ln(1 − p + R·p)    y = 1 where it failed, else 0
//
// Refused: p outside (0, 1) (/chance), R not above 1 (/odds). Source: Steiner, Cook, Farewell, Treasure,
// Biostatistics 1 (2000) 441 [mem].
func CUSUMWeight(p, odds float64, failed bool) (float64, error) {
	if !(p > 0 && p < 1) {
		return 0, Refuse(OutOfRange, "/chance", "", "%v is not between 0 and 1, both excluded", p)
	}
	if !(odds > 0) || odds == 1 || math.IsInf(odds, 0) {
		return 0, Refuse(OutOfRange, "/odds", "2 is usual", "%v is no odds ratio but 1", odds)
	}
	w := -math.Log(1 - p + float64(odds*p))
	if failed {
		w += math.Log(odds)
	}
	return w, nil
}

// A CUSUMPoint is one step of the chart.
type CUSUMPoint struct {
	Value  float64
	Signal bool // Value reached the limit; the next step begins at 0
}

// CUSUM adds weights up, never below 0, and begins anew after each signal; no unit:
//
//	S_0 = 0,  S_t = max(0, S_{t−1} + w_t),  signal where S_t ≥ limit
//
// Refused: a weight not finite (/weights/i), a limit not above 0 (/limit). Source: Page, Biometrika 41
// (1954) 100 [mem].
func CUSUM(weights []float64, limit float64) ([]CUSUMPoint, error) {
	if err := Positive("/limit", limit, "(no unit)"); err != nil {
		return nil, err
	}
	points, s := make([]CUSUMPoint, len(weights)), 0.0
	for i, w := range weights {
		if err := Finite(at("/weights", i), w, "(no unit)"); err != nil {
			return nil, err
		}
		s = max(0, s+w)
		points[i] = CUSUMPoint{Value: s, Signal: s >= limit}
		if points[i].Signal {
			s = 0
		}
	}
	return points, nil
}

// A CUSUMStep is a weight that comes with a chance.
type CUSUMStep struct{ Weight, Chance float64 }

// cells is how finely the way to the limit is cut.
const cells = 120

// CUSUMRunLength is how many cases pass on average, from 0 on, before a signal, where each
// adds one of the steps by its chance. The way to the limit is cut into cells; a weight
// that ends between two counts to both by its nearness, so that its mean is kept. Once the length is
// known to be at least enough cases, that much is told:
//
//	ℓ(s) = 1 + Σ chance·ℓ(max(0, s + weight)),  ℓ = 0 from the limit on
//
// Refused: a limit not above 0 (/limit), no steps or chances that do not add up to 1
// (/steps), a run that never ends (no_answer). Source: Brook, Evans, Biometrika 59 (1972) 539 [mem];
// in number of cases, no unit.
func CUSUMRunLength(steps []CUSUMStep, limit, enough float64) (float64, error) {
	if err := Positive("/limit", limit, "(no unit)"); err != nil {
		return 0, err
	}
	total, up := 0.0, 0.0
	for i, s := range steps {
		if err := Finite(at("/steps", i), s.Weight, "(no unit)"); err != nil {
			return 0, err
		}
		if err := Within(at("/steps", i)+"/chance", s.Chance, 0, 1, "chance"); err != nil {
			return 0, err
		}
		total += s.Chance
		up = max(up, s.Weight*s.Chance)
	}
	if math.Abs(total-1) > 1e-9 {
		return 0, Refuse(OutOfRange, "/steps", "", "the chances of %d steps add up to %v and not to 1", len(steps), total)
	}
	if up <= 0 {
		return 0, Refuse(NoAnswer, "/steps", "", "no step goes up: the limit is never reached")
	}
	width := limit / cells
	length := make([]float64, cells+1) // the last just below the limit; found from below
	for range mostSweeps {
		moved := 0.0
		for i := range length {
			sum := 1.0
			for _, s := range steps {
				sum += float64(s.Chance * lengthAt(length, min(float64(i), cells-nearly)+s.Weight/width))
			}
			moved = max(moved, math.Abs(sum-length[i])/sum)
			length[i] = sum
		}
		if moved < 1e-10 || length[0] >= enough {
			return length[0], nil
		}
	}
	return 0, Refuse(NoAnswer, "/limit", "", "the limit %s is reached too seldom to say how often", strconv.FormatFloat(limit, 'g', -1, 64))
}

// mostSweeps end a run that hardly ever does.
const mostSweeps = 50_000

// nearly is how far below the limit the last cell stands, in cells; what comes nearer than a
// thousandth of that is at the limit.
const nearly = 1e-6

// lengthAt is the length from a place between cells; 0 from the limit on.
func lengthAt(length []float64, place float64) float64 {
	switch {
	case place <= 0:
		return length[0]
	case place >= cells-nearly/1000:
		return 0
	}
	low := int(place)
	part := place - float64(low)
	return float64(float64(1-part)*length[low]) + float64(part*length[low+1])
}

// CUSUMLimit is the least limit, in steps of a hundredth, at which cases that fail by the chance p as expected
// give a false signal once in so many cases at most, on average; odds as at CUSUMWeight. No unit.
//
// Refused: as CUSUMWeight; a run of less than 1 case (/run_length), one that no limit up to 12
// reaches (no_answer). Source: at CUSUMRunLength [mem].
func CUSUMLimit(p, odds, runLength float64) (float64, error) {
	if !(runLength >= 1) {
		return 0, Refuse(OutOfRange, "/run_length", "", "%v is less than 1 case", runLength)
	}
	fail, err := CUSUMWeight(p, odds, true)
	if err != nil {
		return 0, err
	}
	pass, err := CUSUMWeight(p, odds, false)
	if err != nil {
		return 0, err
	}
	steps := []CUSUMStep{{fail, p}, {pass, 1 - p}}
	for high := 100; high <= 1200; high += 100 { // hundredths; the length grows with the limit
		got, err := CUSUMRunLength(steps, float64(high)/100, runLength)
		if err != nil {
			return 0, err
		}
		if got < runLength {
			continue
		}
		for low := high - 100; high-low > 1; {
			middle := (low + high) / 2
			got, err := CUSUMRunLength(steps, float64(middle)/100, runLength)
			if err != nil {
				return 0, err
			}
			if got >= runLength {
				high = middle
			} else {
				low = middle
			}
		}
		return float64(high) / 100, nil
	}
	return 0, Refuse(NoAnswer, "/run_length", "", "no limit up to 12 signals as seldom as once in %v cases", runLength)
}
