package stat_test

import (
	"fmt"
	"math"
	"math/big"
	"testing"

	"ductledger/domain/stat"
	"pgregory.net/rapid"
)

func TestRound(t *testing.T) {
	for _, c := range []struct {
		in     string
		places int
		want   string
		source string
	}{
		{"6.9749515", 6, "6.974952", "NIST SP 811 B.7.1 [mem]"},
		{"6.9749505", 6, "6.974950", "NIST SP 811 B.7.1 [mem]"},
		{"2.5", 0, "2", "half to even"},
		{"3.5", 0, "4", "half to even"},
		{"-2.5", 0, "-2", "half to even"},
		{"2.5000000000000000000000000000001", 0, "3", "beyond the tie"},
		{"0.5", 0, "0", "half to even"},
		{"0.05", 0, "0", "below the tie by a digit"},
		{"9.995", 2, "10.00", "half to even, a carry"},
		{"-0.04", 1, "0.0", "zero has no sign"},
		{"1250", -2, "1200", "half to even, before the point"},
		{"1350", -2, "1400", "half to even, before the point"},
		{"50", -2, "0", "half to even, before the point"},
		{"1.2345e2", 1, "123.4", "an exponent; half to even"},
		{"12e-1", 3, "1.200", "zeros are added"},
		{"000.10", 1, "0.1", "leading zeros"},
	} {
		got, err := stat.Round(c.in, c.places)
		if err != nil || got != c.want {
			t.Errorf("Round(%s, %d) = %q, %v; want %q (%s)", c.in, c.places, got, err, c.want, c.source)
		}
	}
	for _, bad := range []string{"", "-", ".", "1e", "1e999999999", "1_0", "0x1", "1,5", "NaN", "Inf", "1e5.0"} {
		if got, err := stat.Round(bad, 2); err == nil {
			t.Errorf("Round(%q) = %q, want a refusal", bad, got)
		}
	}
}

// 2.675 and 6.9749505 are the traps of formatting binary values.
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		in     float64
		places int
		want   int64
	}{
		{120.71052607, 1, 1207}, {2.675, 2, 268}, {2.665, 2, 266}, {6.9749505, 6, 6974950}, {6.9749515, 6, 6974952},
		{0.25, 1, 2}, {0.35, 1, 4}, {-0.25, 1, -2}, {-1e-300, 1, 0}, {318, 1, 3180}, {1250, -2, 12}, {49, -2, 0},
	} {
		if got, err := stat.Units(c.in, c.places); err != nil || got != c.want {
			t.Errorf("Units(%v, %d) = %d, %v; want %d", c.in, c.places, got, err, c.want)
		}
	}
	for _, bad := range []float64{math.NaN(), math.Inf(-1), 1e300} {
		if got, err := stat.Units(bad, 1); err == nil {
			t.Errorf("Units(%v) = %d, want a refusal", bad, got)
		}
	}
}

// An independent way with big rationals: the result is a nearest multiple, and
// at a tie an even one.
func TestRoundIsNearestEven(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := fmt.Sprintf("%d.%0*d", rapid.Int64Range(-99999, 99999).Draw(t, "whole"), 4, rapid.IntRange(0, 9999).Draw(t, "part"))
		places := rapid.IntRange(-3, 6).Draw(t, "places")
		s, err := stat.Round(text, places)
		if err != nil {
			t.Fatal(err)
		}
		in, _ := new(big.Rat).SetString(text)
		out, ok := new(big.Rat).SetString(s)
		if !ok {
			t.Fatalf("%q is no number", s)
		}
		scale := new(big.Rat).SetFrac64(1, 1)
		for range places {
			scale.Mul(scale, big.NewRat(10, 1))
		}
		for range -places {
			scale.Mul(scale, big.NewRat(1, 10))
		}
		units := new(big.Rat).Mul(out, scale)
		if !units.IsInt() {
			t.Fatalf("Round(%s, %d) = %s is no multiple of the unit", text, places, s)
		}
		off := new(big.Rat).Sub(units, new(big.Rat).Mul(in, scale))
		cmp := off.Abs(off).Cmp(big.NewRat(1, 2))
		if cmp > 0 || cmp == 0 && units.Num().Bit(0) == 1 {
			t.Fatalf("Round(%s, %d) = %s", text, places, s)
		}
	})
}

func FuzzRound(f *testing.F) {
	f.Add("6.9749505", 6)
	f.Add("-1e-399", -30)
	f.Fuzz(func(t *testing.T, text string, places int) {
		s, err := stat.Round(text, places)
		if err != nil {
			return
		}
		again, err := stat.Round(s, places)
		if err != nil || again != s {
			t.Fatalf("Round(%q, %d) = %q, rounded again %q, %v", text, places, s, again, err)
		}
	})
}
