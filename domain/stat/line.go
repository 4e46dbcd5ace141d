package stat

import (
	"math"
	"strconv"
)

// A Line is y = Intercept + Slope·(x − Origin), fitted by least squares.
type Line struct {
	N                int
	Origin           float64 // the x at which Intercept stands
	Slope, Intercept float64
	ResidualSD       float64 // s, with DegreesOfFreedom; 0 when there are none
	SlopeSE          float64 // standard error; 0 when DegreesOfFreedom is 0, where none is known
	InterceptSE      float64 // the same
	RSquared         float64 // 1 − Σ(y − fit)²/Σ(y − ȳ)²; 0 where y has no spread and nothing is to be explained
	DegreesOfFreedom int     // N − 2

	MeanX, SXX float64 // mean of x and Σ(x − mean)², for the error at another x
}

// FitLine fits y on x with the intercept at origin.
//
//	x̄ = Σx/N   ȳ = Σy/N   Sxx = Σ(x − x̄)²   Sxy = Σ(x − x̄)(y − ȳ)
//	slope = Sxy/Sxx                 intercept = ȳ + slope·(origin − x̄)
//	s² = Σ(y − fit)²/(N − 2)        u(slope) = s/√Sxx
//	u(fit at x0) = s·√(1/N + (x0 − x̄)²/Sxx), at x0 = origin for the intercept
//
// Sums run in the order given: callers who want the same bytes for any order
// of the same points sort first.
//
// Refused: x and y of different length (not_complete), fewer than 2 points
// (too_few), a value not finite (/x/i, /y/i), all x equal (no_spread, /x),
// values whose squares leave float64 (no_answer).
//
// Source: JCGM 100 (GUM) H.3; certified digits in NIST StRD Norris [pub].
func FitLine(x, y []float64, origin float64) (Line, error) {
	if err := pairs(x, y); err != nil {
		return Line{}, err
	}
	n := float64(len(x))
	meanX, meanY := SumCompensated(x)/n, SumCompensated(y)/n
	var sxx, sxy, syy float64
	for i := range x {
		dx, dy := x[i]-meanX, y[i]-meanY
		sxx += float64(dx * dx)
		sxy += float64(dx * dy)
		syy += float64(dy * dy)
	}
	if sxx == 0 {
		return Line{}, Refuse(NoSpread, "/x", "", "all %d x are equal: a slope needs a difference", len(x))
	}
	l := Line{N: len(x), Origin: origin, MeanX: meanX, SXX: sxx, Slope: sxy / sxx, DegreesOfFreedom: len(x) - 2}
	l.Intercept = meanY + float64(l.Slope*(origin-meanX))
	var rss float64
	for i := range x {
		e := (y[i] - meanY) - float64(l.Slope*(x[i]-meanX))
		rss += float64(e * e)
	}
	if syy > 0 {
		l.RSquared = max(0, 1-rss/syy)
	}
	if l.DegreesOfFreedom > 0 {
		l.ResidualSD = math.Sqrt(rss / float64(l.DegreesOfFreedom))
		l.SlopeSE = l.ResidualSD / math.Sqrt(sxx)
		l.InterceptSE = l.SEAt(origin)
	}
	for _, v := range []float64{sxx, syy, rss, l.Slope, l.Intercept, l.SlopeSE, l.InterceptSE} {
		if !IsFinite(v) {
			return Line{}, Refuse(NoAnswer, "", "", "the values are so far apart that the line is not finite")
		}
	}
	return l, nil
}

// At is the fitted y at x0, in y's unit: Intercept + Slope·(x0 − Origin).
// Source: the line [calc].
func (l Line) At(x0 float64) float64 {
	return l.Intercept + float64(l.Slope*(x0-l.Origin))
}

// SEAt is the standard error of the fitted y at x0, in y's unit; 0 when none is
// known: s·√(1/N + (x0 − x̄)²/Sxx). Source: JCGM 100 (GUM) H.3 [pub].
func (l Line) SEAt(x0 float64) float64 {
	d := x0 - l.MeanX
	return l.ResidualSD * math.Sqrt(1/float64(l.N)+float64(d*d)/l.SXX)
}

func pairs(x, y []float64) error {
	if len(x) != len(y) {
		return Refuse(NotComplete, "/y", "", "%d y for %d x: one each is needed", len(y), len(x))
	}
	if len(x) < 2 {
		return Refuse(TooFew, "/x", "", "%d points, at least 2 are needed", len(x))
	}
	for i := range x {
		if IsFinite(x[i]) && IsFinite(y[i]) {
			continue // no text is made for what is in order
		}
		if err := Finite("/x/"+strconv.Itoa(i), x[i], "x"); err != nil {
			return err
		}
		return Finite("/y/"+strconv.Itoa(i), y[i], "y")
	}
	return nil
}
