package chart

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"ductledger/api/pages/svg"
)

// Point is one group: how many jobs it rests on and how much it differs from
// what is expected, as a logarithm: 0 as expected, more is worse. Limits are how
// far chance alone carries this group, in the order of the funnel's.
type Point struct {
	Name    string
	Jobs    int
	Effect  float64
	Limits  []float64
	Outside bool // by the rule that also makes the sentence
}

// Funnel says how far chance alone carries each group. A group's limits depend
// on more than its number of jobs: homes that go together, and how much of the
// program it is. So each group has its own, drawn as short bars over and under
// its point, and a thin line joins them.
type Funnel struct {
	Points    []Point
	Limits    []Limit
	JobsWords string // of the axis below
	Summary   string
}

// Limit is a level of chance.
type Limit struct {
	Words string // what it means: 1 in 20 by luck
	Class string
}

// joined are the places that a limit's line passes: the mean of those with
// equally many jobs.
func (f Funnel) joined(limit int) (places [][2]float64) {
	points := slices.Clone(f.Points)
	slices.SortStableFunc(points, func(a, b Point) int { return a.Jobs - b.Jobs })
	for i := 0; i < len(points); {
		sum, n := 0.0, 0
		jobs := points[i].Jobs
		for ; i < len(points) && points[i].Jobs == jobs; i++ {
			sum, n = sum+points[i].Limits[limit], n+1
		}
		places = append(places, [2]float64{float64(jobs), sum / float64(n)})
	}
	return places
}

// Draw lays the funnel out. The axis is that of ratios: twice as much and half
// as much are equally far from the middle.
func (f Funnel) Draw() Picture {
	const w, h, left, right, top, bottom = 460, 320, 76, 14, 14.0, 66
	p := Picture{Width: w, Height: h, Label: f.Summary}
	place := svg.Placer{W: w, H: h}
	least, most, span := math.Inf(1), 1.0, 0.1
	for _, q := range f.Points {
		least = math.Min(least, float64(q.Jobs))
		most, span = math.Max(most, float64(q.Jobs)*1.08), math.Max(span, math.Abs(q.Effect)*1.1)
		for _, limit := range q.Limits {
			span = math.Max(span, limit*1.05)
		}
	}
	if least *= 0.85; math.IsInf(least, 1) {
		least = 0
	}
	x := svg.Scale{V0: least, V1: most, P0: left, P1: w - right}
	y := svg.Scale{V0: -span, V1: span, P0: h - bottom, P1: top}
	p.add(svg.Shape{Kind: "line", Class: "axis", X: left, Y: y.At(0), W: w - right - left})
	for i, l := range f.Limits {
		for _, side := range []float64{1, -1} {
			var d strings.Builder
			for _, at := range f.joined(i) {
				command := "L"
				if d.Len() == 0 {
					command = "M"
				}
				fmt.Fprintf(&d, "%s%.1f %.1f ", command, x.At(at[0]), y.At(side*at[1]))
			}
			p.add(svg.Shape{Kind: "path", Class: "limit thin " + l.Class, Text: strings.TrimSpace(d.String())})
			for _, q := range f.Points {
				p.add(svg.Shape{Kind: "line", Class: "limit " + l.Class, X: x.At(float64(q.Jobs)) - 5, Y: y.At(side * q.Limits[i]), W: 10})
			}
		}
	}
	for _, v := range ratios(span) {
		at := y.At(math.Log(v))
		p.add(svg.Shape{Kind: "text", Class: "quiet end", X: left - 8, Y: at + 4, Text: ratioWords(v)})
	}
	for _, v := range svg.Ticks(least, most, 7) {
		if v >= 1 && v == math.Trunc(v) {
			p.add(svg.Shape{Kind: "text", Class: "quiet middle", X: x.At(v), Y: h - bottom + 16, Text: svg.Number(v, 0)})
		}
	}
	p.add(svg.Shape{Kind: "text", Class: "quiet middle", X: (left + w - right) / 2, Y: h - bottom + 34, Text: f.JobsWords})
	for _, q := range f.Points {
		class := "point"
		if q.Outside {
			class += " " + beyond(q.Effect)
		}
		cx, cy := x.At(float64(q.Jobs)), y.At(q.Effect)
		p.add(svg.Shape{Kind: "circle", Class: class, X: cx, Y: cy, W: 4.5})
		place.Take(svg.Around(cx, cy, 10, 10))
	}
	// What the limits mean stands under the axis, where no point can come.
	from := float64(left)
	for _, l := range f.Limits {
		p.add(svg.Shape{Kind: "line", Class: "limit " + l.Class, X: from, Y: h - 12, W: 20},
			svg.Shape{Kind: "text", Class: "quiet start", X: from + 26, Y: h - 8, Text: l.Words})
		from += 26 + svg.TextWidth(l.Words) + 24
	}
	for _, q := range f.Points {
		if q.Outside {
			label, _ := place.Label(x.At(float64(q.Jobs)), y.At(q.Effect), short(q.Name), "name halo", 9, 5)
			p.add(label)
		}
	}
	return p
}

// short is a name as long as a chart can carry; the table beside it has the whole.
func short(name string) string {
	const most = 24
	if letters := []rune(name); len(letters) > most {
		return strings.TrimSpace(string(letters[:most-1])) + "…"
	}
	return name
}

// ratios are the round ratios that the axis names: those within the span, at
// most three each way.
func ratios(span float64) []float64 {
	steps := []float64{1.1, 1.25, 1.5, 2, 3, 5, 10}
	fit := 0
	for fit < len(steps) && math.Log(steps[fit]) <= span {
		fit++
	}
	list := []float64{1}
	for i := max(0, fit-3); i < fit; i++ {
		list = append(list, steps[i], 1/steps[i])
	}
	return list
}

// ratioWords says a ratio as people do: 25 % more, 20 % less.
func ratioWords(v float64) string {
	switch {
	case v == 1:
		return "as expected"
	case v > 1:
		return svg.Number(100*(v-1), 0) + " % more"
	}
	return svg.Number(100*(1-v), 0) + " % less"
}
