package stat

import (
	"math"
	"strconv"
)

// CollinearLimit is the share of a column's length that must remain after the
// columns before it are taken out. Below it the column says nothing new and
// its coefficient would be rounding error. No unit; [calc] about √(2⁻⁵²)/10.
const CollinearLimit = 1e-9

// A Regression is y = Coefficients[0] + Σ Coefficients[j]·x_j, j from 1.
type Regression struct {
	N                int
	Coefficients     []float64 // the intercept first
	SE               []float64 // standard errors in the same order; nil when DegreesOfFreedom is 0
	ResidualSD       float64
	RSquared         float64 // 0 where y has no spread
	DegreesOfFreedom int     // N − columns − 1
}

// FitLeastSquares fits y on the columns and an intercept; each coefficient is in
// y's unit over its column's.
//
// Each column is centered at its mean and scaled to length 1, then reduced by
// Householder reflections to R·b = Q'y. Centring first keeps digits that the
// normal equations lose: on NIST Longley 13 against 7.
//
//	s² = Σ(y − fit)²/(N − p − 1)      Var b = s²·(R'R)⁻¹, scaled back
//	intercept = ȳ − Σ b_j·x̄_j         Var = s²·(1/N + x̄'(X'X)⁻¹x̄)
//
// Refused: a column of another length than y (/columns/j), fewer than p + 1
// points (too_few), a value not finite (/columns/j/i, /y/i), a column that is
// constant or follows from those before it (no_spread, collinear), values whose
// squares leave float64 (no_answer).
//
// Source: Golub, Van Loan, Matrix Computations §5.2–5.3 [mem]; certified
// digits in NIST StRD Longley [pub].
func FitLeastSquares(columns [][]float64, y []float64) (Regression, error) {
	p, n := len(columns), len(y)
	if err := design(columns, y); err != nil {
		return Regression{}, err
	}
	meanY := SumCompensated(y) / float64(n)
	rhs := make([]float64, n)
	for i := range y {
		rhs[i] = y[i] - meanY
	}
	total := squares(rhs)
	mean, length := make([]float64, p), make([]float64, p)
	a := make([][]float64, p) // columns; becomes R above the diagonal
	for j, column := range columns {
		mean[j] = SumCompensated(column) / float64(n)
		a[j] = make([]float64, n)
		for i, v := range column {
			a[j][i] = v - mean[j]
		}
		length[j] = math.Sqrt(squares(a[j]))
		if length[j] == 0 {
			return Regression{}, Refuse(NoSpread, "/columns/"+strconv.Itoa(j), "leave the column out", "all its values are equal")
		}
		for i := range a[j] {
			a[j][i] /= length[j]
		}
	}
	if k := triangle(a, rhs); k >= 0 {
		return Regression{}, Refuse("collinear", "/columns/"+strconv.Itoa(k), "leave the column out", "it follows from the columns before it (less than %v of it is its own)", CollinearLimit)
	}
	r := Regression{N: n, DegreesOfFreedom: n - p - 1, Coefficients: make([]float64, p+1)}
	b := solveUpper(a, rhs)
	intercept := meanY
	for j := range p {
		r.Coefficients[j+1] = b[j] / length[j]
		intercept -= float64(r.Coefficients[j+1] * mean[j])
	}
	r.Coefficients[0] = intercept
	rss := squares(rhs[p:])
	if total > 0 {
		r.RSquared = max(0, 1-rss/total)
	}
	if r.DegreesOfFreedom > 0 {
		r.ResidualSD = math.Sqrt(rss / float64(r.DegreesOfFreedom))
		r.SE = standardErrors(a, mean, length, r.ResidualSD, n)
	}
	for _, v := range append(append([]float64{rss, total}, r.Coefficients...), r.SE...) {
		if !IsFinite(v) {
			return Regression{}, Refuse(NoAnswer, "", "", "the values are so far apart that the fit is not finite")
		}
	}
	return r, nil
}

// triangle reduces the columns a, and rhs with them, to upper triangular form
// and gives the first collinear column, or −1.
func triangle(a [][]float64, rhs []float64) int {
	for k := range a {
		v := a[k][k:]
		norm := math.Sqrt(squares(v))
		if !(norm > CollinearLimit) {
			return k
		}
		if v[0] > 0 {
			norm = -norm // the sign that does not cancel
		}
		reflector := append([]float64(nil), v...)
		reflector[0] -= norm
		half := squares(reflector) / 2
		for _, column := range append(a[k+1:len(a):len(a)], rhs) {
			reflect(column[k:], reflector, half)
		}
		a[k][k] = norm
		clear(a[k][k+1:])
	}
	return -1
}

// reflect replaces x by x − v·(v'x)/half.
func reflect(x, v []float64, half float64) {
	dot := 0.0
	for i := range x {
		dot += float64(v[i] * x[i])
	}
	f := dot / half
	for i := range x {
		x[i] -= float64(f * v[i])
	}
}

func solveUpper(a [][]float64, rhs []float64) []float64 {
	b := make([]float64, len(a))
	for k := len(a) - 1; k >= 0; k-- {
		s := rhs[k]
		for j := k + 1; j < len(a); j++ {
			s -= float64(a[j][k] * b[j])
		}
		b[k] = s / a[k][k]
	}
	return b
}

// standardErrors works from the rows of R⁻¹: Var b_j is the square of row j,
// and the row combined with the means gives the intercept.
func standardErrors(a [][]float64, mean, length []float64, s float64, n int) []float64 {
	p := len(a)
	variance := make([]float64, p+1)
	variance[0] = 1 / float64(n)
	unit := make([]float64, p)
	for k := range p { // column k of R⁻¹
		clear(unit)
		unit[k] = 1
		inverse := solveUpper(a, unit)
		along := 0.0
		for j := range p {
			v := inverse[j] / length[j]
			variance[j+1] += float64(v * v)
			along += float64(v * mean[j])
		}
		variance[0] += float64(along * along)
	}
	se := make([]float64, p+1)
	for j, v := range variance {
		se[j] = s * math.Sqrt(v)
	}
	return se
}

func squares(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += float64(v * v)
	}
	return s
}

func design(columns [][]float64, y []float64) error {
	if len(columns) == 0 {
		return Refuse(TooFew, "/columns", "", "0 columns, at least 1 is needed")
	}
	if len(y) < len(columns)+1 {
		return Refuse(TooFew, "/y", "", "%d points, at least %d are needed for %d columns and an intercept", len(y), len(columns)+1, len(columns))
	}
	for i, v := range y {
		if !IsFinite(v) {
			return Finite("/y/"+strconv.Itoa(i), v, "y")
		}
	}
	for j, column := range columns {
		at := "/columns/" + strconv.Itoa(j)
		if len(column) != len(y) {
			return Refuse(NotComplete, at, "", "%d values for %d y: one each is needed", len(column), len(y))
		}
		for i, v := range column {
			if !IsFinite(v) {
				return Finite(at+"/"+strconv.Itoa(i), v, "x")
			}
		}
	}
	return nil
}
