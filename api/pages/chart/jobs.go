package chart

import (
	"math"

	"ductledger/api/pages/svg"
)

// Job is one job's leakage before and after, and what was expected after, all
// in one unit; an expectation of 0 is none.
type Job struct{ Before, After, Expected float64 }

// Scatter draws before against after: on the line nothing changed, the further
// below it the more was removed. A ring is what homes like it would have kept.
func Scatter(label string, jobs []Job, unit string) Picture {
	const w, h, left, right, top, bottom = 360, 300, 62, 12, 12.0, 48
	p := Picture{Width: w, Height: h, Label: label}
	most := 1.0
	for _, j := range jobs {
		most = math.Max(most, math.Max(j.Before, math.Max(j.After, j.Expected))*1.05)
	}
	x := svg.Scale{V0: 0, V1: most, P0: left, P1: w - right}
	y := svg.Scale{V0: 0, V1: most, P0: h - bottom, P1: top}
	p.add(svg.Shape{Kind: "line", Class: "axis", X: left, Y: y.At(0), W: w - right - left}, svg.Shape{Kind: "line", Class: "axis", X: left, Y: top, H: h - bottom - top},
		svg.Shape{Kind: "line", Class: "limit outer", X: x.At(0), Y: y.At(0), W: x.At(most) - x.At(0), H: y.At(most) - y.At(0)},
		svg.Shape{Kind: "text", Class: "quiet end", X: w - right - 26, Y: top + 10, Text: "no change"})
	for _, v := range svg.Ticks(0, most, 5) {
		p.add(svg.Shape{Kind: "text", Class: "quiet middle", X: x.At(v), Y: h - bottom + 15, Text: svg.Number(v, 0)},
			svg.Shape{Kind: "text", Class: "quiet end", X: left - 6, Y: y.At(v) + 4, Text: svg.Number(v, 0)})
	}
	p.add(svg.Shape{Kind: "text", Class: "quiet middle", X: (left + w - right) / 2, Y: h - 12, Text: "before, " + unit},
		svg.Shape{Kind: "text", Class: "quiet start", X: 0, Y: top + 24, Text: "after"})
	for _, j := range jobs {
		if j.Expected > 0 {
			p.add(svg.Shape{Kind: "line", Class: "leader", X: x.At(j.Before), Y: y.At(j.Expected), H: y.At(j.After) - y.At(j.Expected)},
				svg.Shape{Kind: "circle", Class: "own", X: x.At(j.Before), Y: y.At(j.Expected), W: 3})
		}
		p.add(svg.Shape{Kind: "circle", Class: "point filled", X: x.At(j.Before), Y: y.At(j.After), W: 3.2})
	}
	return p
}

// Changes draws what each job changed, in the order given: from its ring before
// to its point after.
func Changes(label string, jobs []Job, unit string) Picture {
	const w, h, left, right, top, bottom = 360, 220, 46, 8, 12.0, 30
	p := Picture{Width: w, Height: h, Label: label}
	most := 1.0
	for _, j := range jobs {
		most = math.Max(most, math.Max(j.Before, j.After)*1.05)
	}
	x := svg.Scale{V0: -0.5, V1: math.Max(float64(len(jobs)), 1) - 0.5, P0: left, P1: w - right}
	y := svg.Scale{V0: 0, V1: most, P0: h - bottom, P1: top}
	p.add(svg.Shape{Kind: "line", Class: "axis", X: left, Y: y.At(0), W: w - right - left})
	for _, v := range svg.Ticks(0, most, 5) {
		p.add(svg.Shape{Kind: "text", Class: "quiet end", X: left - 6, Y: y.At(v) + 4, Text: svg.Number(v, 0)})
	}
	p.add(svg.Shape{Kind: "text", Class: "quiet middle", X: (left + w - right) / 2, Y: h - 8, Text: "job by job: ring before, point after, " + unit})
	for i, j := range jobs {
		at := x.At(float64(i))
		p.add(svg.Shape{Kind: "line", Class: "leader", X: at, Y: y.At(j.Before), H: y.At(j.After) - y.At(j.Before)},
			svg.Shape{Kind: "circle", Class: "own", X: at, Y: y.At(j.Before), W: 2.6}, svg.Shape{Kind: "circle", Class: "point filled", X: at, Y: y.At(j.After), W: 2.8})
	}
	return p
}
