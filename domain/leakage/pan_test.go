package leakage_test

import (
	"fmt"
	"math"
	"testing"

	"ductledger/domain/leakage"
	"ductledger/domain/stat"
	"pgregory.net/rapid"
)

func TestPanOpeningRatio(t *testing.T) {
	for _, c := range []struct{ pan, house, want, tol float64 }{
		{1.40643, 50, 0.1, 5e-7}, {25, 50, 1, 1e-12}, {0, 50, 0, 0}, {15, 30, 1, 1e-12},
	} {
		ratio, err := leakage.PanOpeningRatio(c.pan, c.house, 0.65)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "ratio", ratio, c.want, c.tol, "two openings in series [calc]")
	}
	_, err := leakage.PanOpeningRatio(-0.1, 50, 0.65)
	refused(t, "pan", err, stat.Negative, "/pan_pa")
	_, err = leakage.PanOpeningRatio(0.1, 50, 0)
	refused(t, "exponent", err, "exponent_out_of_range", "/exponent")
	_, err = leakage.PanOpeningRatio(50, 50, 0.65)
	refused(t, "pan as the home", err, stat.OutOfRange, "/pan_pa")

	rapid.Check(t, func(t *rapid.T) {
		pa := rapid.Float64Range(1e-4, 49.9).Draw(t, "pan")
		n := rapid.Float64Range(0.5, 1).Draw(t, "n")
		ratio, err := leakage.PanOpeningRatio(pa, 50, n)
		if err != nil {
			t.Fatal(err)
		}
		// Flow through both openings is equal: the leak drives what the pan passes.
		if into, out := math.Pow(pa, n), ratio*math.Pow(50-pa, n); math.Abs(into/out-1) > 1e-10 {
			t.Fatalf("flow in %v, out %v", into, out)
		}
	})
}

func TestPan(t *testing.T) {
	p := leakage.DefaultPanParameters()
	in := []leakage.PanReading{
		{"1", "A", 0.2, 50}, {"9", "A", 0.3, 50}, {"2", "A", 1.0, 50}, {"3", "A", 1.1, 55}, {"4", "A", 1.1, 54.9},
		{"5", "B", 4.5, 45}, {"6", "B", 0.9, 45}, {"7", "A", 2.4, 50}, {"8", "", 9, 50},
	}
	r, err := leakage.Pan(in, p)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "carried to 50 Pa", r.Registers[5].PanPa, 5, 1e-12, "4.5·50/45 by hand")
	near(t, "max", r.MaxPa, 9, 0, "by hand")
	near(t, "median", r.MedianPa, 1, 1e-12, "sorted by hand: 0.2 0.3 1 1 | 1 | 1.0018… 2.4 5 9")
	var over []string
	for _, g := range r.Registers {
		if g.OverTarget {
			over = append(over, g.Register)
		}
	}
	if fmt.Sprint(over) != "[4 5 7 8]" || r.OverTarget != 4 {
		t.Errorf("over target: %v, %d", over, r.OverTarget)
	}
	if fmt.Sprint(r.SharedTrunks) != "[A]" || r.Note != leakage.PanNote || r.IndistinguishableN != 1 || !r.Registers[0].Indistinguishable {
		t.Errorf("got %+v", r)
	}

	even, err := leakage.Pan(in[4:8], p)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "median of four", even.MedianPa, (1.1*50/54.9+2.4)/2, 1e-12, "sorted by hand: 1 | 1.0018… 2.4 | 5")

	_, err = leakage.Pan(nil, p)
	refused(t, "none", err, stat.TooFew, "/readings")
	_, err = leakage.Pan([]leakage.PanReading{{"1", "", 1, 50}, {"2", "", -1, 50}}, p)
	refused(t, "negative", err, stat.Negative, "/readings/1/pan_pa")
	_, err = leakage.Pan([]leakage.PanReading{{"1", "", 1, 0}}, p)
	refused(t, "no home pressure", err, stat.NotPositive, "/readings/0/house_pressure_pa")
	_, err = leakage.Pan([]leakage.PanReading{{"1", "", 51, 50}}, p)
	refused(t, "pan above the home", err, stat.OutOfRange, "/readings/0/pan_pa")
}

// On the target in decimals is not over it, at any home pressure.
func TestPanTargetIsExact(t *testing.T) {
	p := leakage.DefaultPanParameters()
	for tenths := 1; tenths < 600; tenths++ { // 0.2 % of the home pressure is 0.1 Pa at 50 Pa
		house, pan := float64(50*tenths)/100, float64(tenths)/100
		r, err := leakage.Pan([]leakage.PanReading{{"1", "", pan, house}}, p)
		if err != nil {
			t.Fatal(err)
		}
		if r.OverTarget != 0 {
			t.Errorf("%v Pa at %v Pa is over 1.0 Pa at 50 Pa", pan, house)
		}
	}
}
