package stat_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"ductledger/domain/stat"
)

// columns reads a data set of the repository's testdata, column by column.
func columns(t testing.TB, name string) [][]float64 {
	t.Helper()
	f, err := os.Open("../../testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]float64, len(rows[0]))
	for _, row := range rows[1:] {
		for j, text := range row {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatal(err)
			}
			out[j] = append(out[j], v)
		}
	}
	return out
}

// digits is the log relative error: how many significant digits agree.
func digits(got, want float64) float64 {
	if got == want {
		return 15
	}
	return math.Min(15, -math.Log10(math.Abs(got-want)/math.Abs(want)))
}

func agree(t *testing.T, name string, got, want, atLeast float64) {
	t.Helper()
	if d := digits(got, want); !(d >= atLeast) {
		t.Errorf("%s: got %.15g, want %.15g: %.1f digits agree, %v are demanded", name, got, want, d, atLeast)
	}
}

// Source: NIST StRD, linear regression, Norris, certified values [pub].
func TestNorris(t *testing.T) {
	data := columns(t, "norris.csv")
	y, x := data[0], data[1]
	l, err := stat.FitLine(x, y, 0)
	if err != nil {
		t.Fatal(err)
	}
	agree(t, "slope", l.Slope, 1.00211681802045, 11)
	agree(t, "intercept", l.Intercept, -0.262323073774029, 11)
	agree(t, "se of the slope", l.SlopeSE, 0.429796848199937e-3, 11)
	agree(t, "se of the intercept", l.InterceptSE, 0.232818234301152, 11)
	agree(t, "residual sd", l.ResidualSD, 0.884796396144373, 11)
	agree(t, "r squared", l.RSquared, 0.999993745883712, 11)
	if l.DegreesOfFreedom != 34 {
		t.Errorf("%d degrees of freedom, want 34", l.DegreesOfFreedom)
	}
}

// Source: JCGM 100 (GUM) H.3, calibration of a thermometer: eleven readings
// and results recalled from memory [mem]; the fit must give the printed digits.
func TestCalibrationCurve(t *testing.T) {
	at := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	correction := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	l, err := stat.FitLine(at, correction, 20)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name           string
		got, want, tol float64
	}{
		{"y1", l.Intercept, -0.1712, 5e-5},
		{"u(y1)", l.InterceptSE, 0.0029, 5e-5},
		{"y2", l.Slope, 0.00218, 5e-6},
		{"u(y2)", l.SlopeSE, 0.00067, 5e-6},
		{"s", l.ResidualSD, 0.0035, 5e-5},
		{"b(30)", l.At(30), -0.1494, 5e-5},
		{"u(b(30))", l.SEAt(30), 0.0041, 5e-5},
	} {
		if math.Abs(c.got-c.want) > c.tol {
			t.Errorf("%s: got %v, want %v", c.name, c.got, c.want)
		}
	}
}
