package drawing

import (
	"embed"
	"fmt"
	"html/template"
	"math"
	"strings"

	"ductledger/api/pages/svg"
	"ductledger/domain"
)

// Flag is a finding as it stands on the drawing: its number in the list beside
// it, how grave it is, and the records that it is about.
type Flag struct {
	Number   int
	Severity string // must_fix, check, note, not_recorded: decides the form
	Title    string
	Subjects []domain.Subject
}

// Picture is a plan as shapes, ready for the template.
type Picture struct {
	Width, Height int
	Summary       string
	Shapes        []svg.Shape
	Legend        []svg.Shape // one small drawing and its words each
	Assumed       bool
	Unplaced      []Flag // findings about records that have no place in a home
}

// Sizes of the drawing in its own units, of which a page shows one a pixel or
// scales all.
const (
	width   = 760.0
	left    = 44.0
	right   = 16.0
	top     = 34.0
	box     = 104.0 // height of a section
	trunkAt = 62.0  // middle of the trunk below the upper side of its section
	between = 62.0  // height between two sections
	outlet  = 13.0
	flagR   = 10.0
)

type point struct{ x, y float64 }
type artist struct {
	pic   Picture
	plan  Plan
	from  float64
	scale float64 // units a ft
	tops  map[domain.Section]float64
	svg.Placer
	places map[domain.Subject]point
	legend map[string]bool
}

// Draw lays a plan out and puts the flags on their parts.
func Draw(plan Plan, flags []Flag) Picture {
	a := &artist{plan: plan, tops: map[domain.Section]float64{}, places: map[domain.Subject]point{}, legend: map[string]bool{}}
	a.pic = Picture{Width: int(width), Assumed: plan.Assumed, Summary: strings.Join(Sentences(plan), " ")}
	a.measure()
	a.axis()
	for _, s := range plan.Sections {
		a.floor(s)
	}
	for _, c := range plan.Crossovers {
		a.crossover(c)
	}
	for _, s := range plan.Sections {
		a.trunk(s)
	}
	for _, s := range plan.Sections {
		a.outlets(s)
		a.furnaces(s)
	}
	for _, s := range plan.Sections {
		a.openings(s)
	}
	for _, c := range plan.Crossovers {
		a.crossoverWords(c)
	}
	for subject, parts := range plan.Repairs {
		for _, part := range parts {
			if at, ok := a.places[part]; ok {
				a.places[subject] = at
				break
			}
		}
	}
	for _, f := range flags {
		a.flag(f)
	}
	return a.pic
}

// measure fits the longest section into the width, in steps of ten feet.
func (a *artist) measure() {
	from, to := 0.0, 10.0
	for _, s := range a.plan.Sections {
		from, to = min(from, s.Trunk.From), max(to, s.Trunk.To+1)
		for _, o := range s.Outlets {
			from, to = min(from, o.Ft-1), max(to, o.Ft+1)
		}
		for _, o := range s.Openings {
			from, to = min(from, o.Ft-1), max(to, o.Ft+1)
		}
	}
	a.from = 10 * math.Floor(from/10)
	a.scale = (width - left - right) / (to - a.from)
	y := top
	for i, s := range a.plan.Sections {
		if i > 0 {
			y += between
		}
		a.tops[s.Name] = y
		y += box
	}
	a.pic.Height = int(y + 26)
	a.Placer = svg.Placer{W: width, H: y + 26}
}

func (a *artist) x(ft float64) float64 { return left + (ft-a.from)*a.scale }

func (a *artist) add(s svg.Shape) { a.pic.Shapes = append(a.pic.Shapes, s) }

// note puts one line into the legend, once.
func (a *artist) note(words string, mark svg.Shape) {
	if a.legend[words] {
		return
	}
	a.legend[words] = true
	mark.Text = words
	a.pic.Legend = append(a.pic.Legend, mark)
}

// axis draws the feet along the top. A foot that is marked in every ten.
func (a *artist) axis() {
	for ft := a.from; a.x(ft) <= width-right; ft += 10 {
		a.add(svg.Shape{Kind: "line", Class: "grid", X: a.x(ft), Y: top - 14, H: float64(a.pic.Height) - top})
		a.add(svg.Shape{Kind: "text", Class: "quiet middle", X: a.x(ft), Y: top - 18, Text: feet(ft) + " ft"})
		a.Take(svg.Around(a.x(ft), top-22, 36, svg.Line))
	}
}

func (a *artist) floor(s Section) {
	y := a.tops[s.Name]
	a.add(svg.Shape{Kind: "rect", Class: "floor", X: left, Y: y, W: width - left - right + 8, H: box})
	a.add(svg.Shape{Kind: "text", Class: "letter", X: 14, Y: y + trunkAt + 6, Text: string(s.Name)})
	a.Take(svg.Rect{X0: 0, Y0: y + trunkAt - 14, X1: 34, Y1: y + trunkAt + 14})
	if !s.Ducted {
		a.add(a.Words(width/2, y+box/2, "no ducts in this section", "quiet middle"))
	}
}

func (a *artist) thick() float64 { return max(10, min(22, 14.0/12*a.scale)) } // 14 in, a common trunk [cp]

func (a *artist) trunk(s Section) {
	if !s.Ducted {
		return
	}
	y, h := a.tops[s.Name]+trunkAt, a.thick()
	a.add(svg.Shape{Kind: "rect", Class: "duct", X: a.x(s.Trunk.From), Y: y - h/2, W: (s.Trunk.To - s.Trunk.From) * a.scale, H: h})
	a.Take(svg.Rect{X0: a.x(s.Trunk.From), Y0: y - h/2, X1: a.x(s.Trunk.To), Y1: y + h/2})
	for _, span := range s.NoAir {
		a.add(svg.Shape{Kind: "rect", Class: "noair", X: a.x(span.From), Y: y - h/2, W: (span.To - span.From) * a.scale, H: h})
		a.note("gets no air", svg.Shape{Kind: "rect", Class: "noair"})
	}
	for _, e := range s.Ends {
		x := a.x(e.Ft)
		a.places[e.Subject] = point{x, y}
		bar, words := "bar "+string(e.State), "end: "+e.State.Words()
		if e.Form != "" {
			bar, words = "bar closed", "closure of an end"
		}
		a.add(svg.Shape{Kind: "line", Class: bar, X: x, Y: y - h/2 - 6, H: h + 12})
		a.Take(svg.Around(x, y, 6, h+12))
		a.note(words, svg.Shape{Kind: "line", Class: bar})
	}
}

func (a *artist) outlets(s Section) {
	y := a.tops[s.Name] + trunkAt
	lastRight, raised := -1.0, false
	for _, o := range s.Outlets {
		x := a.x(o.Ft)
		a.places[o.Subject] = point{x, y}
		class := "outlet " + string(o.State)
		a.add(svg.Shape{Kind: "rect", Class: class, X: x - outlet/2, Y: y - outlet/2, W: outlet, H: outlet})
		a.add(svg.Shape{Kind: "path", Class: class, Text: mark(o.State, x, y)})
		a.Take(svg.Around(x, y, outlet, outlet))
		a.note("outlet, "+o.State.Words(), svg.Shape{Kind: "rect", Class: class})
		half := svg.TextWidth(o.Label) / 2
		raised = x-half < lastRight && !raised // a crowded label stands one line higher
		at := point{x, y - a.thick()/2 - 8}
		if raised {
			at.y -= svg.Line
		}
		lastRight = x + half + 3
		a.add(a.Words(at.x, at.y, o.Label, "label middle"))
	}
}

// mark is the sign within an outlet's square: a tick, a diagonal, a cross.
func mark(s State, x, y float64) string {
	switch s {
	case Sealed, Tight:
		return fmt.Sprintf("M%.1f %.1f l2.6 2.8 l4.6 -5.6", x-3.6, y+0.4)
	case OutOfReach:
		return fmt.Sprintf("M%.1f %.1f l%.1f %.1f", x-outlet/2, y+outlet/2, outlet, -outlet)
	case AsFound:
		return fmt.Sprintf("M%.1f %.1f l6 6 m0 -6 l-6 6", x-3, y-3)
	}
	return ""
}

func (a *artist) furnaces(s Section) {
	y := a.tops[s.Name] + trunkAt - a.thick()/2
	for _, f := range s.Furnaces {
		x := a.x(f.Ft)
		a.places[f.Subject] = point{x, y}
		a.add(svg.Shape{Kind: "rect", Class: "furnace " + string(f.State), X: x - 14, Y: y - 26, W: 28, H: 22})
		a.add(svg.Shape{Kind: "line", Class: "furnace", X: x, Y: y - 4, H: 6})
		a.Take(svg.Rect{X0: x - 15, Y0: y - 27, X1: x + 15, Y1: y + 2})
		a.label(point{x, y - 15}, f.Label, 20, 20)
	}
}

func (a *artist) openings(s Section) {
	y := a.tops[s.Name] + trunkAt
	for _, o := range s.Openings {
		x := a.x(o.Ft)
		class, words := "opening", "found open"
		if o.ByCrew {
			class, words = class+" crew", "opened by the crew"
		}
		if o.Closed {
			words += ", closed"
		} else {
			class += " open"
			if o.ByCrew {
				words += ", still open"
			}
		}
		rx, ry := 16.0, 20.0
		if o.In == domain.InDuct {
			rx, ry = 10, 13
		}
		a.places[o.Subject] = point{x + rx, y}
		a.add(svg.Shape{Kind: "path", Class: class, Text: fmt.Sprintf("M%.1f %.1f a%.1f %.1f 0 1 0 %.1f 0 a%.1f %.1f 0 1 0 %.1f 0", x-rx, y+4, rx, ry, 2*rx, rx, ry, -2*rx)})
		a.note(words, svg.Shape{Kind: "circle", Class: class})
	}
}

func (a *artist) crossover(c Crossover) {
	from, to := point{a.x(c.FromFt), a.tops[c.From] + trunkAt}, point{a.x(c.ToFt), a.tops[c.To] + trunkAt}
	a.add(svg.Shape{Kind: "path", Class: "pipe edge", Text: fmt.Sprintf("M%.1f %.1f L%.1f %.1f", from.x, from.y, to.x, to.y)})
	a.add(svg.Shape{Kind: "path", Class: "pipe", Text: fmt.Sprintf("M%.1f %.1f L%.1f %.1f", from.x, from.y, to.x, to.y)})
	a.places[c.Subject] = point{(from.x + to.x) / 2, (from.y + to.y) / 2}
	for i := range 11 {
		t := float64(i) / 10
		a.Take(svg.Around(from.x+(to.x-from.x)*t, from.y+(to.y-from.y)*t, 14, 14))
	}
}

func (a *artist) crossoverWords(c Crossover) {
	a.label(a.places[c.Subject], c.Label, 12, 0)
}

func (a *artist) label(at point, words string, dx, dy float64) {
	shape, _ := a.Label(at.x, at.y, words, "quiet", dx, dy)
	a.add(shape)
}

// flag puts a numbered mark near the part that a finding is about, with a thin
// line to it, at the nearest place where it covers nothing.
func (a *artist) flag(f Flag) {
	for _, s := range f.Subjects {
		at, ok := a.places[s]
		if !ok {
			continue
		}
		var best point
		best.x, best.y, _ = a.Near(at.x, at.y, 2*flagR+3, 26)
		away := math.Hypot(best.x-at.x, best.y-at.y)
		part := (away - flagR) / away
		a.add(svg.Shape{Kind: "line", Class: "leader " + f.Severity, X: at.x, Y: at.y, W: (best.x - at.x) * part, H: (best.y - at.y) * part})
		a.add(svg.Shape{Kind: "circle", Class: "flag " + f.Severity, X: best.x, Y: best.y, W: flagR})
		a.add(svg.Shape{Kind: "text", Class: "flag middle " + f.Severity, X: best.x, Y: best.y + 4, Text: fmt.Sprint(f.Number)})
		return
	}
	a.pic.Unplaced = append(a.pic.Unplaced, f)
}

//go:embed drawing.html
var files embed.FS

// Parse adds "drawing" to the templates of the pages, which hold "shape".
func Parse(t *template.Template) *template.Template {
	return template.Must(t.ParseFS(files, "drawing.html"))
}
