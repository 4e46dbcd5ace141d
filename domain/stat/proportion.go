package stat

import "math"

// An Interval holds two limits in the unit of what they bound.
type Interval struct{ Low, High float64 }

// Wilson is the score interval of a proportion, x of n, at a two-sided level,
// as fractions:
//
//	center = (x + z²/2)/(n + z²),  half-width = z/(n + z²)·√(x(n−x)/n + z²/4)
//
// with z the normal quantile of (1 + level)/2; Low is 0 at x = 0, High is 1 at
// x = n. Its coverage is near the level on average: for display.
//
// Refused: n < 1 (too_few, /n), x outside 0 … n (/x), level outside (0, 1) (/level).
// Source: Wilson 1927; method 3 of Newcombe, Statistics in Medicine 17 (1998) 857 [pub].
func Wilson(x, n int, level float64) (Interval, error) {
	if err := countsInside(x, n, level); err != nil {
		return Interval{}, err
	}
	z, err := NormalQuantile(1 - (1-level)/2)
	if err != nil {
		return Interval{}, err
	}
	X, N, z2 := float64(x), float64(n), float64(z*z)
	center := (X + z2/2) / (N + z2)
	half := z / (N + z2) * math.Sqrt(float64(X*(N-X))/N+z2/4)
	limits := Interval{Low: center - half, High: center + half}
	if x == 0 {
		limits.Low = 0
	}
	if x == n {
		limits.High = 1
	}
	return limits, nil
}

// ClopperPearson is the exact interval of a proportion, x of n, as fractions: its
// coverage is never below the level, so it stands where a consequence follows.
//
//	Low = B(α/2; x, n−x+1), 0 at x = 0;  High = B(1−α/2; x+1, n−x), 1 at x = n
//
// with B the quantile of the beta distribution and α = 1 − level.
//
// Refused: as Wilson.
// Source: Clopper & Pearson 1934; method 5 of Newcombe 1998 [pub].
func ClopperPearson(x, n int, level float64) (Interval, error) {
	if err := countsInside(x, n, level); err != nil {
		return Interval{}, err
	}
	X, N, alpha := float64(x), float64(n), 1-level
	limits := Interval{Low: 0, High: 1}
	var err error
	if x > 0 {
		if limits.Low, err = BetaQuantile(alpha/2, X, N-X+1); err != nil {
			return Interval{}, err
		}
	}
	if x < n {
		if limits.High, err = BetaQuantile(1-alpha/2, X+1, N-X); err != nil {
			return Interval{}, err
		}
	}
	return limits, nil
}

// MinExpected is the smallest expected count for which a ratio of observed to
// expected is given: below one expected event the ratio is 0 or already above 1.
const MinExpected = 1.0

// ObservedOverExpected bounds the ratio O/E of a count of independent rare
// events to the count expected for the same homes, no unit, by exact Poisson
// limits:
//
//	Low = χ²(α/2; 2O)/2/E, 0 at O = 0;  High = χ²(1−α/2; 2O+2)/2/E
//
// Refused: O < 0 (negative, /observed), E < MinExpected (out_of_range,
// /expected), level outside (0, 1) (/level).
// Source: Garwood 1936; Ulm 1990 [mem].
func ObservedOverExpected(observed int, expected, level float64) (Interval, error) {
	if observed < 0 {
		return Interval{}, Refuse(Negative, "/observed", "", "%d events are less than 0", observed)
	}
	if err := expectedEnough(expected); err != nil {
		return Interval{}, err
	}
	if err := levelInside(level); err != nil {
		return Interval{}, err
	}
	alpha, O := 1-level, float64(observed)
	var limits Interval
	if observed > 0 {
		low, err := ChiSquareQuantile(alpha/2, 2*O)
		if err != nil {
			return Interval{}, err
		}
		limits.Low = low / 2 / expected
	}
	high, err := ChiSquareQuantile(1-alpha/2, 2*O+2)
	if err != nil {
		return Interval{}, err
	}
	limits.High = high / 2 / expected
	return limits, nil
}

func expectedEnough(expected float64) error {
	if err := Finite("/expected", expected, "events"); err != nil {
		return err
	}
	if expected < MinExpected {
		return Refuse(OutOfRange, "/expected", "", "%v expected events are fewer than %v", expected, MinExpected)
	}
	return nil
}

func countsInside(x, n int, level float64) error {
	if n < 1 {
		return Refuse(TooFew, "/n", "", "a proportion needs at least 1 case, not %d", n)
	}
	if x < 0 || x > n {
		return Refuse(OutOfRange, "/x", "", "%d of %d: x is outside 0 to n", x, n)
	}
	return levelInside(level)
}
