package svg_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"ductledger/api/pages/svg"

	"pgregory.net/rapid"
)

func TestTicks(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		low, high float64
		most      int
		want      []float64
	}{ // by hand [calc]
		{0, 60, 6, []float64{0, 20, 40, 60}}, {0, 60, 7, []float64{0, 10, 20, 30, 40, 50, 60}}, {0, 1, 3, []float64{0, 0.5, 1}},
		{-0.3, 0.3, 7, []float64{-0.3, -0.2, -0.1, 0, 0.1, 0.2, 0.3}}, {3, 41, 5, []float64{10, 20, 30, 40}}, {5, 5, 3, nil}, {0, 9, 0, nil}, {math.NaN(), 1, 3, nil},
	} {
		got := svg.Ticks(row.low, row.high, row.most)
		if !slices.EqualFunc(got, row.want, func(a, b float64) bool { return math.Abs(a-b) < 1e-12 }) {
			t.Errorf("%v to %v, at most %d: %v, not %v", row.low, row.high, row.most, got, row.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-1e6, 1e6).Draw(t, "low")
		high := low + rapid.Float64Range(1e-3, 1e6).Draw(t, "span")
		most := rapid.IntRange(2, 12).Draw(t, "most")
		ticks := svg.Ticks(low, high, most)
		if len(ticks) < 1 || len(ticks) > most {
			t.Fatalf("%d ticks, at most %d", len(ticks), most)
		}
		for _, v := range ticks {
			if slack := (high - low) * 1e-6; v < low-slack || v > high+slack {
				t.Fatalf("%v is beyond %v to %v", v, low, high)
			}
		}
	})
}

func TestNumber(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		v      float64
		digits int
		want   string
	}{{12.34, 1, "12.3"}, {-0.04, 1, "0.0"}, {-0.06, 1, "-0.1"}, {0, 0, "0"}, {-12, 0, "-12"}} {
		if got := svg.Number(row.v, row.digits); got != row.want {
			t.Errorf("%v with %d digits: %q, not %q", row.v, row.digits, got, row.want)
		}
	}
}

// Whatever is placed covers nothing that was there.
func TestNothingIsCovered(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := svg.Placer{W: 400, H: 300}
		var taken []svg.Rect
		put := func(r svg.Rect) {
			for _, o := range taken {
				if r.X0 < o.X1 && o.X0 < r.X1 && r.Y0 < o.Y1 && o.Y0 < r.Y1 {
					t.Fatalf("%v covers %v", r, o)
				}
			}
			if r.X0 < 0 || r.Y0 < 0 || r.X1 > p.W || r.Y1 > p.H {
				t.Fatalf("%v is beyond the drawing", r)
			}
			taken = append(taken, r)
		}
		for range rapid.IntRange(1, 60).Draw(t, "marks") {
			x, y := rapid.Float64Range(0, 400).Draw(t, "x"), rapid.Float64Range(0, 300).Draw(t, "y")
			if rapid.Bool().Draw(t, "flag") {
				if px, py, ok := p.Near(x, y, 23, 26); ok {
					put(svg.Around(px, py, 23, 23))
				}
				continue
			}
			words := rapid.StringMatching(`[a-z ]{1,20}`).Draw(t, "words")
			s, ok := p.Label(x, y, words, "quiet", 8, 8)
			if !ok {
				continue
			}
			w, left := svg.TextWidth(words), s.X
			switch s.Class {
			case "quiet middle":
				left -= w / 2
			case "quiet end":
				left -= w
			}
			put(svg.Rect{X0: left, Y0: s.Y - 11, X1: left + w, Y1: s.Y + 3})
		}
	})
}

// Each kind of shape as SVG 2 names its attributes [mem]; words are escaped, places are
// written with one digit.
func TestShapesAsSVG(t *testing.T) {
	for want, s := range map[string]svg.Shape{
		`<rect class="a b" x="1.0" y="-2.3" width="3.1" height="4.0"/>`: {Kind: "rect", Class: "a b", X: 1, Y: -2.26, W: 3.14, H: 4},
		`<path class="axis" d="M1.0 2.0 l-3.0 0.5"/>`:                   {Kind: "line", Class: "axis", X: 1, Y: 2, W: -3, H: 0.5},
		`<circle class="point" cx="10.0" cy="20.1" r="2.6"/>`:           {Kind: "circle", Class: "point", X: 10, Y: 20.06, W: 2.6},
		`<path class="pipe" d="M1 2 L3 4"/>`:                            {Kind: "path", Class: "pipe", Text: "M1 2 L3 4"},
		`<text class="quiet" x="5.0" y="6.0">&lt;b&gt; &amp; c</text>`:  {Kind: "text", Class: "quiet", X: 5, Y: 6, Text: "<b> & c"},
		"": {Kind: "path", Class: "pipe"},
	} {
		var b strings.Builder
		if err := svg.Template().ExecuteTemplate(&b, "shape", s); err != nil || strings.TrimSpace(b.String()) != want {
			t.Errorf("%v: %s, want %s", err, b.String(), want)
		}
	}
}
