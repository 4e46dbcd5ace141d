package stat

import (
	"math"
	"strconv"
)

// Moments holds count, mean and the sum of squared deviations of values seen
// one by one. The zero value has seen none.
type Moments struct {
	N    int
	Mean float64 // 0 when N is 0
	M2   float64 // Σ(x − mean)²
}

// Add takes one more value, in the unit of those before, by Welford's recurrence:
//
//	δ = x − m;  m += δ/n;  M2 += δ·(x − m)
//
// The textbook form Σx² − (Σx)²/n loses every digit on data such as NIST
// NumAcc4 and can even give a negative variance. It refuses nothing: MomentsOf
// does.
//
// Source: B. P. Welford, Technometrics 4 (1962) 419–420 [mem].
func (m *Moments) Add(x float64) {
	m.N++
	delta := x - m.Mean
	m.Mean += delta / float64(m.N)
	m.M2 += float64(delta * (x - m.Mean))
}

// Merge takes the values of other, in Chan's form:
//
//	δ = m_b − m_a;  m = m_a + δ·n_b/n;  M2 = M2_a + M2_b + δ²·n_a·n_b/n
//
// Merging in another order changes the last digits: callers merge in the order
// of their keys.
//
// Source: Chan, Golub, LeVeque, Am. Stat. 37 (1983) 242–247 [mem].
func (m *Moments) Merge(other Moments) {
	if other.N == 0 {
		return
	}
	if m.N == 0 {
		*m = other
		return
	}
	n := float64(m.N + other.N)
	delta := other.Mean - m.Mean
	m.M2 += other.M2 + float64(float64(delta*delta)*(float64(m.N)*float64(other.N)/n))
	m.Mean += float64(delta * (float64(other.N) / n))
	m.N += other.N
}

// SD is the sample standard deviation √(M2/(n − 1)), in the values' unit; known
// is false below two values, where none exists. Source: definition [calc].
func (m Moments) SD() (sd float64, known bool) {
	if m.N < 2 {
		return 0, false
	}
	return math.Sqrt(m.M2 / float64(m.N-1)), true
}

// MomentsOf gives the moments of x in its order and unit.
//
// Refused: no value (too_few), a value that is not finite (/values/i), values
// so far apart that their squares leave float64 (no_answer).
// Source: definition; digits by NIST StRD [pub].
func MomentsOf(x []float64) (Moments, error) {
	var m Moments
	if len(x) == 0 {
		return m, Refuse(TooFew, "/values", "", "0 values, at least 1 is needed")
	}
	for i, v := range x {
		if !IsFinite(v) {
			return Moments{}, Finite("/values/"+strconv.Itoa(i), v, "the values' unit")
		}
		m.Add(v)
	}
	if !IsFinite(m.M2) || !IsFinite(m.Mean) {
		return Moments{}, Refuse(NoAnswer, "/values", "", "the values are so far apart that their variance is not a finite number")
	}
	return m, nil
}
