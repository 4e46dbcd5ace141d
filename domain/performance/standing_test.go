package performance

import (
	"testing"

	"ductledger/domain/stat"
)

// standingsOf places contractors 1, 2, … with effects r and jobs n at σ = .40,
// τ = .10, v = σ²/n.
func standingsOf(t *testing.T, r []float64, n []int64) ([]Standing, Pool) {
	t.Helper()
	var effects []effect
	var groups []stat.Estimate
	for i := range r {
		v := .16 / float64(n[i])
		effects = append(effects, effect{contractor: id(i + 1), n: n[i], r: r[i], v: v, own: v})
		groups = append(groups, stat.Estimate{Effect: r[i], Variance: v})
	}
	p, shrunk := drawnAt(groups, .10)
	s, err := stand(effects, shrunk, &p, 1e7)
	if err != nil {
		t.Fatal(err)
	}
	return s, p
}

// Limits at n = 16: ± 1.960·.1 and ± 3.090·.1; with τ ± 3.090·√.02 = .437 [calc].
func TestStanding(t *testing.T) {
	r := []float64{0, .19, .20, .30, .32, .45, -.65, .9, .28}
	n := []int64{16, 16, 16, 16, 16, 16, 16, 9, 400}
	s, p := standingsOf(t, r, n)
	for i, want := range []struct {
		name                              string
		outside, outer, confirmed, review bool
	}{
		{"at the program", false, false, false, false},
		{"just inside 95 %", false, false, false, false},
		{"just outside 95 %", true, false, false, false},
		{"just inside 99.8 %", true, false, false, false},
		{"outside 99.8 %, not beyond the spread", true, true, false, false},
		{"outside all, more", true, true, true, true},
		{"outside all, less", true, true, true, true},
		{"outside all, nine jobs", true, true, true, false},
		{"a large one within the spread", true, true, false, false},
	} {
		if got := s[i]; got.Outside != want.outside || got.Outer != want.outer || got.Confirmed != want.confirmed || got.Review != want.review {
			t.Errorf("%s: %+v", want.name, got)
		}
	}
	for i := range s { // one ladder: nothing contradicts anything
		if g := &s[i]; g.Watch != (g.Side != NotDistinguishable) || g.Watch && !g.Outside || g.Listed && !g.Watch || g.Review && !g.Listed {
			t.Errorf("contractor %d: %+v", i, *g)
		}
	}
	if p.WatchCount != 7 || p.OuterCount != 5 {
		t.Errorf("outside: %d and %d", p.WatchCount, p.OuterCount)
	}
	near(t, "expected outside 95 %", &p.ExpectedWatchCount, .45, 1e-12)
	near(t, "expected outside 99.8 %", &p.ExpectedOuterCount, .018, 1e-12)
}

// A large contractor 3 % away is far outside and yet not worth a letter.
func TestImmaterialIsNotReviewed(t *testing.T) {
	s, _ := standingsOf(t, []float64{.045, 0, 0, 0}, []int64{4000, 4000, 4000, 4000})
	if !s[0].Outer || s[0].conditions || s[0].Review {
		t.Errorf("%+v", s[0])
	}
}

// Two successive periods on one side confirm; two sides do not.
func TestConfirm(t *testing.T) {
	at := func(r float64) *Comparison {
		s, _ := standingsOf(t, []float64{r, 0, 0}, []int64{16, 100, 100})
		c := &Comparison{}
		for i := range s {
			c.Contractors = append(c.Contractors, Contractor{ContractorID: id(i + 1), Adjusted: Adjusted{Standing: &s[i]}})
		}
		return c
	}
	for _, c := range []struct {
		name          string
		before, after float64
		want          bool
	}{
		{"twice outside", .34, .34, true},
		{"outside on the other side", -.34, .34, false},
		{"inside before", .25, .34, false},
		{"inside now", .34, .25, false},
	} {
		now := at(c.after)
		now.Confirm(at(c.before))
		if got := now.Contractors[0].Adjusted.Standing.Review; got != c.want {
			t.Errorf("%s: review %v", c.name, got)
		}
	}
}

// Reliability at τ = .10, σ = .40 reaches .5 at 16 jobs, .7 at 38, .9 at 144
// (formula of Adams, RAND TR-653, 2009 [pub]; counts [calc]).
func TestNaming(t *testing.T) {
	n := []int64{1, 4, 5, 9, 10, 16, 37, 38, 144}
	s, _ := standingsOf(t, make([]float64, len(n)), n)
	for i, want := range []string{NamedNotOutside, NamedNotOutside, NamedInsideOnly, NamedInsideOnly, NamedWithItsSpan, NamedWithItsSpan} {
		if s[i].Naming != want {
			t.Errorf("%d jobs: %s, want %s", n[i], s[i].Naming, want)
		}
	}
	near(t, "16 jobs", &s[5].Reliability, .5, 1e-12)
	near(t, "144 jobs", &s[8].Reliability, .9, 1e-12)
	if s[6].Comparison || !s[7].Comparison {
		t.Errorf("comparison wording at 37: %v, at 38: %v", s[6].Comparison, s[7].Comparison)
	}
}
