package stat

import (
	"math"
	"testing"
)

// The tails are the quantiles turned round. F(.95; 5, 10) = 3.326 and
// F(.95; 1, 10) = 4.965, which is t² of 2.228, by standard tables [mem].
func TestTails(t *testing.T) {
	for _, c := range []struct{ f, a, b, want float64 }{{3.3258, 5, 10, .05}, {4.9646, 1, 10, .05}, {0, 3, 7, 1}} {
		got, err := FTail(c.f, c.a, c.b)
		if err != nil || math.Abs(got-c.want) > 5e-5 {
			t.Errorf("F %v with %v and %v: %v, want %v, %v", c.f, c.a, c.b, got, c.want, err)
		}
	}
	for _, df := range []float64{1, 2.5, 30, 400} {
		q, err := StudentTQuantile(.999, df)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := StudentTTail(-q, df); err != nil || math.Abs(got-.002) > 1e-9 {
			t.Errorf("t %v with %v: %v, %v", q, df, got, err)
		}
	}
	if _, err := FTail(-1, 2, 2); err == nil {
		t.Error("F below 0: no refusal")
	}
	if _, err := StudentTTail(1, 0); err == nil {
		t.Error("no freedom: no refusal")
	}
}
