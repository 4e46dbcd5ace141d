package drawing

import (
	"embed"
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

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
	Shapes        []Shape
	Legend        []Shape // one small drawing and its words each
	Assumed       bool
	Unplaced      []Flag // findings about records that have no place in a home
}

// Shape is one mark: a rectangle, a line, a circle, a path or words. Class says
// what it means; the stylesheet says how that looks.
type Shape struct {
	Kind       string // rect line circle path text
	Class      string
	X, Y, W, H float64 // of a line: from (X, Y) by (W, H); of a circle: W is its radius
	Text       string  // words, or the commands of a path
}

// Sizes of the drawing in its own units, of which a page shows one a pixel or
// scales all.
const (
	width    = 760.0
	left     = 44.0
	right    = 16.0
	top      = 34.0
	box      = 104.0 // height of a section
	trunkAt  = 62.0  // middle of the trunk below the upper side of its section
	between  = 62.0  // height between two sections
	outlet   = 13.0
	letter   = 6.1 // mean width of a letter of labels
	lineHigh = 13.0
	flagR    = 10.0
)

type point struct{ x, y float64 }
type rect struct{ x0, y0, x1, y1 float64 }

func (r rect) overlaps(o rect) bool { return r.x0 < o.x1 && o.x0 < r.x1 && r.y0 < o.y1 && o.y0 < r.y1 }
func around(p point, w, h float64) rect {
	return rect{p.x - w/2, p.y - h/2, p.x + w/2, p.y + h/2}
}

type artist struct {
	pic    Picture
	plan   Plan
	from   float64
	scale  float64 // units a ft
	tops   map[domain.Section]float64
	taken  []rect
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
}

func (a *artist) x(ft float64) float64 { return left + (ft-a.from)*a.scale }

func (a *artist) add(s Shape) { a.pic.Shapes = append(a.pic.Shapes, s) }
func (a *artist) take(r rect) { a.taken = append(a.taken, r) }

func (a *artist) free(r rect) bool {
	if r.x0 < 2 || r.y0 < 2 || r.x1 > width-2 || r.y1 > float64(a.pic.Height)-2 {
		return false
	}
	return !slices.ContainsFunc(a.taken, r.overlaps)
}

// note puts one line into the legend, once.
func (a *artist) note(words string, mark Shape) {
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
		a.add(Shape{Kind: "line", Class: "grid", X: a.x(ft), Y: top - 14, H: float64(a.pic.Height) - top})
		a.add(Shape{Kind: "text", Class: "quiet middle", X: a.x(ft), Y: top - 18, Text: feet(ft) + " ft"})
		a.take(around(point{a.x(ft), top - 22}, 36, lineHigh))
	}
}

func (a *artist) floor(s Section) {
	y := a.tops[s.Name]
	a.add(Shape{Kind: "rect", Class: "floor", X: left, Y: y, W: width - left - right + 8, H: box})
	a.add(Shape{Kind: "text", Class: "letter", X: 14, Y: y + trunkAt + 6, Text: string(s.Name)})
	a.take(rect{0, y + trunkAt - 14, 34, y + trunkAt + 14})
	if !s.Ducted {
		a.words(point{width / 2, y + box/2}, "no ducts in this section", "quiet middle")
	}
}

func (a *artist) thick() float64 { return max(10, min(22, 14.0/12*a.scale)) } // 14 in, a common trunk [cp]

func (a *artist) trunk(s Section) {
	if !s.Ducted {
		return
	}
	y, h := a.tops[s.Name]+trunkAt, a.thick()
	a.add(Shape{Kind: "rect", Class: "duct", X: a.x(s.Trunk.From), Y: y - h/2, W: (s.Trunk.To - s.Trunk.From) * a.scale, H: h})
	a.take(rect{a.x(s.Trunk.From), y - h/2, a.x(s.Trunk.To), y + h/2})
	for _, span := range s.NoAir {
		a.add(Shape{Kind: "rect", Class: "noair", X: a.x(span.From), Y: y - h/2, W: (span.To - span.From) * a.scale, H: h})
		a.note("gets no air", Shape{Kind: "rect", Class: "noair"})
	}
	for _, e := range s.Ends {
		x := a.x(e.Ft)
		a.places[e.Subject] = point{x, y}
		bar, words := "bar "+string(e.State), "end: "+e.State.Words()
		if e.Form != "" {
			bar, words = "bar closed", "closure of an end"
		}
		a.add(Shape{Kind: "line", Class: bar, X: x, Y: y - h/2 - 6, H: h + 12})
		a.take(around(point{x, y}, 6, h+12))
		a.note(words, Shape{Kind: "line", Class: bar})
	}
}

func (a *artist) outlets(s Section) {
	y := a.tops[s.Name] + trunkAt
	lastRight, raised := -1.0, false
	for _, o := range s.Outlets {
		x := a.x(o.Ft)
		a.places[o.Subject] = point{x, y}
		class := "outlet " + string(o.State)
		a.add(Shape{Kind: "rect", Class: class, X: x - outlet/2, Y: y - outlet/2, W: outlet, H: outlet})
		a.add(Shape{Kind: "path", Class: class, Text: mark(o.State, x, y)})
		a.take(around(point{x, y}, outlet, outlet))
		a.note("outlet, "+o.State.Words(), Shape{Kind: "rect", Class: class})
		half := float64(len(o.Label)) * letter / 2
		raised = x-half < lastRight && !raised // a crowded label stands one line higher
		at := point{x, y - a.thick()/2 - 8}
		if raised {
			at.y -= lineHigh
		}
		lastRight = x + half + 3
		a.words(at, o.Label, "label middle")
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
		a.add(Shape{Kind: "rect", Class: "furnace " + string(f.State), X: x - 14, Y: y - 26, W: 28, H: 22})
		a.add(Shape{Kind: "line", Class: "furnace", X: x, Y: y - 4, H: 6})
		a.take(rect{x - 15, y - 27, x + 15, y + 2})
		a.label(point{x, y - 15}, f.Label, "quiet", 20, 20)
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
		a.add(Shape{Kind: "path", Class: class, Text: fmt.Sprintf("M%.1f %.1f a%.1f %.1f 0 1 0 %.1f 0 a%.1f %.1f 0 1 0 %.1f 0", x-rx, y+4, rx, ry, 2*rx, rx, ry, -2*rx)})
		a.note(words, Shape{Kind: "circle", Class: class})
	}
}

func (a *artist) crossover(c Crossover) {
	from, to := point{a.x(c.FromFt), a.tops[c.From] + trunkAt}, point{a.x(c.ToFt), a.tops[c.To] + trunkAt}
	a.add(Shape{Kind: "path", Class: "pipe edge", Text: fmt.Sprintf("M%.1f %.1f L%.1f %.1f", from.x, from.y, to.x, to.y)})
	a.add(Shape{Kind: "path", Class: "pipe", Text: fmt.Sprintf("M%.1f %.1f L%.1f %.1f", from.x, from.y, to.x, to.y)})
	a.places[c.Subject] = point{(from.x + to.x) / 2, (from.y + to.y) / 2}
	for i := range 11 {
		t := float64(i) / 10
		a.take(around(point{from.x + (to.x-from.x)*t, from.y + (to.y-from.y)*t}, 14, 14))
	}
}

func (a *artist) crossoverWords(c Crossover) {
	a.label(a.places[c.Subject], c.Label, "quiet", 12, 0)
}

// words writes a label where it belongs.
func (a *artist) words(at point, text, class string) {
	a.add(Shape{Kind: "text", Class: class, X: at.x, Y: at.y, Text: text})
	w := float64(len(text)) * letter
	a.take(around(point{at.x, at.y - 4}, w+2, lineHigh))
}

// label writes words beside a place, right, left, above or below it, where
// nothing stands yet; else to its right.
func (a *artist) label(at point, text, class string, dx, dy float64) {
	w := float64(len(text)) * letter
	for _, try := range []struct {
		anchor string
		p      point
	}{
		{"start", point{at.x + dx, at.y + 4}}, {"end", point{at.x - dx, at.y + 4}},
		{"middle", point{at.x, at.y - dy - 4}}, {"middle", point{at.x, at.y + dy + 14}},
		{"start", point{at.x + dx, at.y + 18}}, {"end", point{at.x - dx, at.y + 18}},
		{"start", point{at.x + dx, at.y - 12}}, {"end", point{at.x - dx, at.y - 12}},
	} {
		r := around(point{try.p.x, try.p.y - 4}, w, lineHigh)
		switch try.anchor {
		case "start":
			r = rect{try.p.x, try.p.y - 11, try.p.x + w, try.p.y + 3}
		case "end":
			r = rect{try.p.x - w, try.p.y - 11, try.p.x, try.p.y + 3}
		}
		if a.free(r) {
			a.add(Shape{Kind: "text", Class: class + " " + try.anchor, X: try.p.x, Y: try.p.y, Text: text})
			a.take(r)
			return
		}
	}
	a.add(Shape{Kind: "text", Class: class + " start", X: at.x + dx, Y: at.y + 4, Text: text})
}

// flag puts a numbered mark near the part that a finding is about, with a thin
// line to it, at the nearest place where it covers nothing.
func (a *artist) flag(f Flag) {
	for _, s := range f.Subjects {
		at, ok := a.places[s]
		if !ok {
			continue
		}
		best := at
		found := false
	search:
		for _, far := range []float64{26, 34, 44, 56, 70, 88, 110} {
			for i := range 16 {
				turn := float64(i)*math.Pi/8 - math.Pi/2
				p := point{at.x + far*math.Cos(turn), at.y + far*math.Sin(turn)}
				if a.free(around(p, 2*flagR+3, 2*flagR+3)) {
					best, found = p, true
					break search
				}
			}
		}
		if !found {
			best = point{at.x, at.y - 26}
		}
		away := math.Hypot(best.x-at.x, best.y-at.y)
		part := (away - flagR) / away
		a.add(Shape{Kind: "line", Class: "leader " + f.Severity, X: at.x, Y: at.y, W: (best.x - at.x) * part, H: (best.y - at.y) * part})
		a.add(Shape{Kind: "circle", Class: "flag " + f.Severity, X: best.x, Y: best.y, W: flagR})
		a.add(Shape{Kind: "text", Class: "flag middle " + f.Severity, X: best.x, Y: best.y + 4, Text: fmt.Sprint(f.Number)})
		a.take(around(best, 2*flagR+3, 2*flagR+3))
		return
	}
	a.pic.Unplaced = append(a.pic.Unplaced, f)
}

//go:embed drawing.html
var files embed.FS

// Template draws a Picture; the pages parse it among their own.
func Template() *template.Template {
	return template.Must(template.ParseFS(files, "drawing.html"))
}
