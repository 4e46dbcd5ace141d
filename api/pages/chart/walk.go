package chart

import (
	"ductledger/api/pages/svg"
)

// A Walk is a figure case after case with the lines that it is held to.
type Walk struct {
	Label     string
	Values    []float64 // the first stands before the first case
	Signals   []bool    // of each value
	Lines     []WalkLine
	CasesWord string // of the axis below
}

// WalkLine is straight, from the first place to the last.
type WalkLine struct {
	Words       string
	First, Last float64
}

// Draw lays the walk out.
func (k Walk) Draw() Picture {
	const w, h, left, right, top, bottom = 460, 190, 30, 96, 12.0, 40
	p := Picture{Width: w, Height: h, Label: k.Label}
	low, high := 0.0, 1.0
	for _, v := range k.Values {
		low, high = min(low, v), max(high, v*1.1)
	}
	for _, l := range k.Lines {
		high = max(high, l.First*1.05, l.Last*1.05)
	}
	x := svg.Scale{V0: 0, V1: float64(max(len(k.Values)-1, 1)), P0: left, P1: w - right}
	y := svg.Scale{V0: low, V1: high, P0: h - bottom, P1: top}
	p.add(svg.Shape{Kind: "line", Class: "axis", X: left, Y: y.At(0), W: w - right - left})
	digits := 0
	if high < 4 {
		digits = 1
	}
	for _, v := range svg.Ticks(0, high, 4) {
		p.add(svg.Shape{Kind: "text", Class: "quiet end", X: left - 6, Y: y.At(v) + 4, Text: svg.Number(v, digits)})
	}
	for _, l := range k.Lines {
		from, first := 0.0, l.First
		if l.First < 0 && l.Last > 0 { // what lies below 0 is not drawn
			from, first = l.First/(l.First-l.Last)*x.V1, 0
		}
		if l.Last > 0 {
			p.add(svg.Shape{Kind: "line", Class: "limit", X: x.At(from), Y: y.At(first), W: x.At(x.V1) - x.At(from), H: y.At(l.Last) - y.At(first)},
				svg.Shape{Kind: "text", Class: "quiet start", X: w - right + 8, Y: y.At(l.Last) + 4, Text: l.Words})
		}
	}
	for i, v := range k.Values {
		class := "point filled"
		if k.Signals[i] {
			class += " outside"
			p.add(svg.Shape{Kind: "circle", Class: "point outside ring", X: x.At(float64(i)), Y: y.At(v), W: 6.5})
		}
		p.add(svg.Shape{Kind: "circle", Class: class, X: x.At(float64(i)), Y: y.At(v), W: 3.5})
	}
	p.add(svg.Shape{Kind: "text", Class: "quiet middle", X: (left + w - right) / 2, Y: h - 6, Text: k.CasesWord})
	return p
}
