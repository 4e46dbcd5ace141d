package chart_test

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"

	"ductledger/api/pages/chart"
	"ductledger/api/pages/svg"
)

func shapes(p chart.Picture, kind, class string) (list []svg.Shape) {
	for _, s := range p.Shapes {
		if s.Kind == kind && strings.HasPrefix(s.Class, class) {
			list = append(list, s)
		}
	}
	return list
}

func wellFormed(t *testing.T, p chart.Picture) {
	t.Helper()
	var b bytes.Buffer
	if err := chart.Parse(svg.Template()).ExecuteTemplate(&b, "chart", p); err != nil {
		t.Fatal(err)
	}
	for d := xml.NewDecoder(&b); ; {
		if _, err := d.Token(); err == io.EOF {
			return
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

// Each group has its own limits, here 1.96 and 3.09 sigma/sqrt(n) (Spiegelhalter,
// Stat. Med. 2005 [mem]) but for the second, whose homes go together and whose
// limits are half as wide again; where they are drawn is computed here by hand
// from the axis: twice as much and half as much are equally far from as expected.
func TestFunnel(t *testing.T) {
	t.Parallel()
	limits := func(n int, wider float64) []float64 {
		return []float64{1.96 * 0.4 / math.Sqrt(float64(n)) * wider, 3.09 * 0.4 / math.Sqrt(float64(n)) * wider}
	}
	const grayMesa = "Gray Mesa Sealing and Sons of the Long Valley"
	f := chart.Funnel{JobsWords: "jobs with both readings", Summary: "One <lies> outside.",
		Limits: []chart.Limit{{Words: "1 in 20 by luck", Class: "inner"}, {Words: "1 in 500 by luck", Class: "outer"}},
		Points: []chart.Point{{Name: "Alder Ridge", Jobs: 18, Limits: limits(18, 1)}, {Name: grayMesa, Jobs: 41, Effect: math.Log(1.5), Limits: limits(41, 1.5), Outside: true},
			{Name: "Eastline", Jobs: 3, Effect: -math.Log(1.5), Limits: limits(3, 1)}, {Name: "Fairview", Jobs: 18, Limits: limits(18, 1.2)}}}
	p := f.Draw()
	wellFormed(t, p)
	points := shapes(p, "circle", "point")
	middle := points[0].Y
	if up, down := middle-points[1].Y, points[2].Y-middle; math.Abs(up-down) > 1e-9 || up <= 0 {
		t.Errorf("half as much again and a third less are %v and %v away", up, down)
	}
	perLog := (middle - points[1].Y) / math.Log(1.5)
	bars := shapes(p, "line", "limit")
	for level := range 2 {
		for side, sign := range []float64{1, -1} {
			for i, q := range f.Points {
				want := middle - sign*q.Limits[level]*perLog
				if got := bars[(2*level+side)*len(f.Points)+i].Y; math.Abs(got-want) > 1e-9 {
					t.Errorf("limit %d of %s stands at %v, not %v", level, q.Name, got, want)
				}
			}
		}
	}
	var x, y float64 // the line begins with the fewest jobs, and passes the mean of two with 18
	if _, err := fmt.Sscanf(shapes(p, "path", "limit")[0].Text, "M%f %f", &x, &y); err != nil || math.Abs(middle-y-f.Points[2].Limits[0]*perLog) > 0.051 {
		t.Errorf("the line begins at %v, %v: %v", x, y, err)
	}
	if _, err := fmt.Sscanf(strings.Fields(shapes(p, "path", "limit")[0].Text)[3], "%f", &y); err != nil ||
		math.Abs(middle-y-(f.Points[0].Limits[0]+f.Points[3].Limits[0])/2*perLog) > 0.051 {
		t.Errorf("the line passes 18 jobs at %v: %v", y, err)
	}
	names := shapes(p, "text", "name")
	if len(names) != 1 || names[0].Text != "Gray Mesa Sealing and S…" {
		t.Errorf("named are %v: only what lies outside is", names)
	} else if right := names[0].X + 24*6.5; strings.Contains(names[0].Class, "start") && right > float64(p.Width) { // 24 bold letters; 18 of them took 117 px of a screenshot
		t.Errorf("the name ends at %v, beyond %d", right, p.Width)
	}
	ticks := map[string]bool{}
	for _, s := range shapes(p, "text", "quiet") {
		ticks[s.Text] = true
	}
	for _, want := range []string{"as expected", "50 % more", "33 % less", "jobs with both readings", "1 in 20 by luck"} {
		if !ticks[want] {
			t.Errorf("the axis does not say %q: %v", want, ticks)
		}
	}
}

// What lies beyond the scale is drawn at its edge, never outside the picture.
func TestRange(t *testing.T) {
	t.Parallel()
	own := 9.0
	p := chart.Range{Value: 0.2, Low: -9, High: 9, Own: &own, Scale: [2]float64{-0.6, 0.6}}.Draw()
	wellFormed(t, p)
	for _, s := range p.Shapes {
		if s.X < 0 || s.X > float64(p.Width) || s.Kind == "line" && s.X+s.W > float64(p.Width) {
			t.Errorf("%+v is outside", s)
		}
	}
	if point := shapes(p, "circle", "point")[0]; math.Abs(point.X-(8+(0.2+0.6)/1.2*(250-16))) > 1e-9 {
		t.Errorf("the point stands at %v", point.X)
	}
}

func TestBars(t *testing.T) {
	t.Parallel()
	p := chart.Bars("before and after", []chart.Bar{{Words: "before", Value: 318, Low: 307, High: 330, Text: "318", Class: "before"}, {Words: "after", Value: 121, Text: "121", Class: "after"}})
	wellFormed(t, p)
	bars := shapes(p, "rect", "bar")
	if got := bars[1].W / bars[0].W; math.Abs(got-121.0/318) > 1e-12 {
		t.Errorf("the bars are as %v", got)
	}
	if whiskers := shapes(p, "line", "whisker"); len(whiskers) != 3 {
		t.Errorf("%d whiskers: a value without a range has none", len(whiskers))
	}
}

// A month without a figure has no point: no figure is not zero.
func TestStrip(t *testing.T) {
	t.Parallel()
	v := []float64{0.1, -0.1}
	p := chart.Strip("by month", []chart.Month{{Words: "Jul", Value: &v[0]}, {Words: "Aug"}, {Words: "Sep", Value: &v[1]}}, 0)
	wellFormed(t, p)
	points, line := shapes(p, "circle", "point"), shapes(p, "line", "limit")[0]
	if len(points) != 2 || math.Abs((line.Y-points[0].Y)-(points[1].Y-line.Y)) > 1e-9 || points[0].Y >= line.Y {
		t.Errorf("points %v, line at %v", points, line.Y)
	}
	wellFormed(t, chart.Strip("none", nil, 0))
}

// A point stands between the lines that it lies between; of a line that comes up from below 0 the part above is drawn.
func TestWalk(t *testing.T) {
	t.Parallel()
	p := chart.Walk{Label: "failures", Values: []float64{0, 0, 1, 1, 2}, Signals: []bool{false, false, false, false, true}, CasesWord: "jobs",
		Lines: []chart.WalkLine{{Words: "more", First: 2, Last: 3}, {Words: "well", First: -1, Last: 1}, {Words: "never", First: -2, Last: -1}}}.Draw()
	wellFormed(t, p)
	points, lines := shapes(p, "circle", "point filled"), shapes(p, "line", "limit")
	if len(points) != 5 || len(lines) != 2 || len(shapes(p, "circle", "point outside ring")) != 1 {
		t.Fatalf("%d points, %d lines", len(points), len(lines))
	}
	upper, lower := lines[0], lines[1]
	if end := points[4].Y; upper.Y+upper.H >= end || lower.Y+lower.H <= end {
		t.Errorf("the last point at %.1f, the lines end at %.1f and %.1f", end, upper.Y+upper.H, lower.Y+lower.H)
	}
	if middle := (points[0].X + points[4].X) / 2; math.Abs(lower.X-middle) > 1e-9 || math.Abs(lower.Y-points[0].Y) > 1e-9 { // from −1 to 1 half way
		t.Errorf("the lower line begins at %.1f, %.1f", lower.X, lower.Y)
	}
	wellFormed(t, chart.Walk{}.Draw())
}

// Each job stands at its own readings; on the line nothing changed.
func TestBeforeAgainstAfter(t *testing.T) {
	t.Parallel()
	jobs := []chart.Job{{Before: 300, After: 300}, {Before: 300, After: 150, Expected: 100}, {Before: 100, After: 50}}
	p := chart.Scatter("before and after", jobs, "cfm25")
	wellFormed(t, p)
	points, line := shapes(p, "circle", "point"), shapes(p, "line", "limit")[0]
	if on := line.Y + line.H*(points[0].X-line.X)/line.W; math.Abs(points[0].Y-on) > 1e-9 {
		t.Errorf("no change stands at %v, the line at %v", points[0].Y, on)
	}
	floor := line.Y
	if got := (floor - points[1].Y) / (floor - points[0].Y); math.Abs(got-0.5) > 1e-9 || points[1].X != points[0].X {
		t.Errorf("half stands at %v of the whole", got)
	}
	if rings := shapes(p, "circle", "own"); len(rings) != 1 || rings[0].Y <= points[1].Y {
		t.Errorf("rings %v: only what is expected is drawn, and less stands lower", rings)
	}
	changes := chart.Changes("changes", jobs, "cfm25")
	wellFormed(t, changes)
	if n := len(shapes(changes, "line", "leader")); n != len(jobs) {
		t.Errorf("%d changes of %d jobs", n, len(jobs))
	}
	wellFormed(t, chart.Scatter("none", nil, "cfm25"))
	wellFormed(t, chart.Changes("none", nil, "cfm25"))
}
