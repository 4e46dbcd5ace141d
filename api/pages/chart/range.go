package chart

import (
	"ductledger/api/pages/svg"
)

// Range is one figure with the range around it, on a scale that all rows of a
// table share. Own is a second figure of the same thing, drawn as a ring.
type Range struct {
	Value, Low, High float64
	Own              *float64
	Outside          bool
	Scale            [2]float64 // of all rows
	Middle           float64    // the line of what is expected
	Label            string
}

// beyond is the class of what lies outside, on its side of what is expected.
func beyond(effect float64) string {
	if effect < 0 {
		return "outside less"
	}
	return "outside"
}

// Draw lays out one row.
func (r Range) Draw() Picture {
	const w, h, mid = 250, 26, 13
	p := Picture{Width: w, Height: h, Label: r.Label}
	x := svg.Scale{V0: r.Scale[0], V1: r.Scale[1], P0: 8, P1: w - 8}
	within := func(v float64) float64 { return min(max(x.At(v), 4), w-4) }
	class := ""
	if r.Outside {
		class = " " + beyond(r.Value-r.Middle)
	}
	p.add(svg.Shape{Kind: "line", Class: "axis", X: x.At(r.Middle), Y: 2, H: h - 4})
	p.add(svg.Shape{Kind: "line", Class: "range" + class, X: within(r.Low), Y: mid, W: within(r.High) - within(r.Low)})
	if r.Own != nil {
		p.add(svg.Shape{Kind: "circle", Class: "own", X: within(*r.Own), Y: mid, W: 4.5})
	}
	p.add(svg.Shape{Kind: "circle", Class: "point filled" + class, X: within(r.Value), Y: mid, W: 5})
	return p
}

// Bar is a quantity with the range of a repeated test.
type Bar struct {
	Words            string
	Value, Low, High float64
	Text             string // the value as it is written beside the bar
	Class            string
}

// Bars draws before and after, or whatever is measured on one scale from zero.
func Bars(label string, bars []Bar) Picture {
	const w, step, left, right = 300, 48, 0, 58
	p := Picture{Width: w, Height: step*len(bars) + 4, Label: label}
	most := 0.0
	for _, b := range bars {
		most = max(most, b.Value, b.High)
	}
	x := svg.Scale{V0: 0, V1: max(most, 1e-9), P0: left, P1: w - right}
	for i, b := range bars {
		y := float64(i * step)
		p.add(svg.Shape{Kind: "text", Class: "quiet start", X: left, Y: y + 14, Text: b.Words})
		p.add(svg.Shape{Kind: "rect", Class: "bar " + b.Class, X: left, Y: y + 20, W: x.At(b.Value) - left, H: 16})
		end := x.At(b.Value)
		if b.High > b.Low {
			p.add(svg.Shape{Kind: "line", Class: "whisker", X: x.At(b.Low), Y: y + 28, W: x.At(b.High) - x.At(b.Low)},
				svg.Shape{Kind: "line", Class: "whisker", X: x.At(b.Low), Y: y + 23, H: 10},
				svg.Shape{Kind: "line", Class: "whisker", X: x.At(b.High), Y: y + 23, H: 10})
			end = max(end, x.At(b.High))
		}
		p.add(svg.Shape{Kind: "text", Class: "name start", X: end + 6, Y: y + 33, Text: b.Text})
	}
	return p
}

// Month is one month of a strip; without a value nothing is drawn, since no
// figure is no figure of zero. Low and High are how far chance carries it.
type Month struct {
	Words     string
	Value     *float64
	Low, High float64
	Signal    bool // beyond them
}

// Strip draws a figure month by month with the program's as a line.
func Strip(label string, months []Month, program float64) Picture {
	const w, h, top, bottom = 360, 110, 10, 18
	p := Picture{Width: w, Height: h, Label: label}
	low, high := program, program
	for _, m := range months {
		if m.Value != nil {
			low, high = min(low, *m.Value, m.Low), max(high, *m.Value, m.High)
		}
	}
	if high == low {
		high, low = high+1, low-1
	}
	x := svg.Scale{V0: 0, V1: float64(max(len(months)-1, 1)), P0: 10, P1: w - 10}
	y := svg.Scale{V0: low, V1: high, P0: h - bottom, P1: top}
	p.add(svg.Shape{Kind: "line", Class: "limit inner", X: 4, Y: y.At(program), W: w - 8})
	for i, m := range months {
		if m.Value != nil {
			at, class := x.At(float64(i)), "point filled"
			if m.High > m.Low {
				p.add(svg.Shape{Kind: "line", Class: "leader", X: at, Y: y.At(m.High), H: y.At(m.Low) - y.At(m.High)})
			}
			if m.Signal {
				class += " outside"
				p.add(svg.Shape{Kind: "circle", Class: "point outside ring", X: at, Y: y.At(*m.Value), W: 6.5})
			}
			p.add(svg.Shape{Kind: "circle", Class: class, X: at, Y: y.At(*m.Value), W: 3.5})
		}
		if i == 0 || i == len(months)-1 {
			anchor := "start"
			if i > 0 {
				anchor = "end"
			}
			p.add(svg.Shape{Kind: "text", Class: "quiet " + anchor, X: x.At(float64(i)), Y: h - 4, Text: m.Words})
		}
	}
	return p
}

// Column is one period of a chart of columns.
type Column struct {
	Words string
	Value float64
}

// Columns draws a quantity period by period on one scale from zero.
func Columns(label string, columns []Column, unit string) Picture {
	const w, h, left, right, top, bottom = 460, 190, 62, 8, 12.0, 40
	p := Picture{Width: w, Height: h, Label: label}
	most := 1.0
	for _, c := range columns {
		most = max(most, c.Value*1.05)
	}
	y := svg.Scale{V0: 0, V1: most, P0: h - bottom, P1: top}
	step := float64(w-right-left) / float64(max(len(columns), 1))
	p.add(svg.Shape{Kind: "line", Class: "axis", X: left, Y: y.At(0), W: w - right - left})
	for _, v := range svg.Ticks(0, most, 5) {
		p.add(svg.Shape{Kind: "text", Class: "quiet end", X: left - 6, Y: y.At(v) + 4, Text: svg.Number(v, 0)})
	}
	for i, c := range columns {
		at := left + step*float64(i)
		p.add(svg.Shape{Kind: "rect", Class: "bar after", X: at + step*0.15, Y: y.At(c.Value), W: step * 0.7, H: y.At(0) - y.At(c.Value)})
		switch i {
		case 0:
			p.add(svg.Shape{Kind: "text", Class: "quiet start", X: at, Y: h - bottom + 16, Text: c.Words})
		case len(columns) - 1:
			p.add(svg.Shape{Kind: "text", Class: "quiet end", X: w - right, Y: h - bottom + 16, Text: c.Words})
		}
	}
	p.add(svg.Shape{Kind: "text", Class: "quiet middle", X: (left + w - right) / 2, Y: h - 6, Text: unit})
	return p
}
