package performance

import (
	"math"

	"ductledger/domain/stat"
)

// A regression is y = Coefficients[0] + Σ Coefficients[j]·x_j, j from 1.
type regression struct {
	Coefficients []float64 // the intercept first
	SE           []float64 // standard errors in the same order
	ResidualSD   float64
}

// leastSquares fits y on the columns and an intercept: another way to what the
// model solves by sums. Each column is centered and scaled to length 1, then
// reduced by Householder reflections to R·b = Q'y.
//
//	s² = Σ(y − fit)²/(N − p − 1)      Var b = s²·(R'R)⁻¹, scaled back
//	intercept = ȳ − Σ b_j·x̄_j         Var = s²·(1/N + x̄'(X'X)⁻¹x̄)
//
// Source: Golub, Van Loan, Matrix Computations §5.2–5.3 [mem].
func leastSquares(columns [][]float64, y []float64) regression {
	p, n := len(columns), len(y)
	meanY := stat.SumCompensated(y) / float64(n)
	rhs := make([]float64, n)
	for i := range y {
		rhs[i] = y[i] - meanY
	}
	mean, length := make([]float64, p), make([]float64, p)
	a := make([][]float64, p) // columns; becomes R above the diagonal
	for j, column := range columns {
		mean[j] = stat.SumCompensated(column) / float64(n)
		a[j] = make([]float64, n)
		for i, v := range column {
			a[j][i] = v - mean[j]
		}
		length[j] = math.Sqrt(squares(a[j]))
		for i := range a[j] {
			a[j][i] /= length[j]
		}
	}
	triangle(a, rhs)
	r := regression{Coefficients: make([]float64, p+1)}
	intercept := meanY
	for j, b := range solveUpper(a, rhs) {
		r.Coefficients[j+1] = b / length[j]
		intercept -= float64(r.Coefficients[j+1] * mean[j])
	}
	r.Coefficients[0] = intercept
	r.ResidualSD = math.Sqrt(squares(rhs[p:]) / float64(n-p-1))
	r.SE = standardErrors(a, mean, length, r.ResidualSD, n)
	return r
}

// triangle reduces the columns a, and rhs with them, to upper triangular form.
func triangle(a [][]float64, rhs []float64) {
	for k := range a {
		v := a[k][k:]
		norm := math.Sqrt(squares(v))
		if v[0] > 0 {
			norm = -norm // the sign that does not cancel
		}
		reflector := append([]float64(nil), v...)
		reflector[0] -= norm
		half := squares(reflector) / 2
		for _, column := range append(a[k+1:len(a):len(a)], rhs) {
			reflectBy(column[k:], reflector, half)
		}
		a[k][k] = norm
		clear(a[k][k+1:])
	}
}

// reflectBy replaces x by x − v·(v'x)/half.
func reflectBy(x, v []float64, half float64) {
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
