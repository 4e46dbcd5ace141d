// Package svg is what the drawings and charts of the pages have in common:
// shapes and their template, scales with ticks, and a placer that keeps labels
// off marks and off each other.
//
// A shape says what it means by its class; the stylesheet says how that looks,
// in light, in dark and on paper. Places are written with one digit, so that
// equal data gives equal bytes.
package svg

import (
	"embed"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Shape is one mark: a rectangle, a line, a circle, a path or words.
type Shape struct {
	Kind       string // rect line circle path text
	Class      string
	X, Y, W, H float64 // of a line: from (X, Y) by (W, H); of a circle: W is its radius
	Text       string  // words, or the commands of a path
}

// places are the attributes of a shape by its kind, each before its number: X, Y, W, H.
var places = map[string][]string{"rect": {`x="`, `" y="`, `" width="`, `" height="`}, "line": {`d="M`, ` `, ` l`, ` `}, "circle": {`cx="`, `" cy="`, `" r="`}, "text": {`x="`, `" y="`}}

// Place is where the shape stands, as its attributes: written here, since a page has a
// thousand shapes and a template takes longer for each number than this for all of them.
func (s Shape) Place() template.HTMLAttr {
	b := make([]byte, 0, 64)
	for i, before := range places[s.Kind] {
		b = strconv.AppendFloat(append(b, before...), [...]float64{s.X, s.Y, s.W, s.H}[i], 'f', 1, 64)
	}
	return template.HTMLAttr(append(b, '"')) //nolint:gosec // numbers alone
}

//go:embed svg.html
var files embed.FS

// Template holds "shape"; the pages parse their own templates into it.
func Template() *template.Template { return template.Must(template.ParseFS(files, "svg.html")) }

// Rect is a rectangle that something covers.
type Rect struct{ X0, Y0, X1, Y1 float64 }

// Around is the rectangle of a width and a height around a place.
func Around(x, y, w, h float64) Rect { return Rect{x - w/2, y - h/2, x + w/2, y + h/2} }

func (r Rect) overlaps(o Rect) bool { return r.X0 < o.X1 && o.X0 < r.X1 && r.Y0 < o.Y1 && o.Y0 < r.Y1 }

// Sizes of a label's letters in units of the drawing: 11 px of the system's
// own letters, measured in a browser and taken a little wide.
const (
	letter = 6.1
	bold   = 1.2  // as wide as the others, of a name
	Line   = 13.0 // from one line of words to the next
)

// TextWidth is about how wide words are drawn.
func TextWidth(words string) float64 { return float64(utf8.RuneCountInString(words)) * letter }

// Placer knows what is covered.
type Placer struct {
	W, H  float64 // of the drawing: nothing is placed beyond it
	taken []Rect
}

// Take marks a place as covered.
func (p *Placer) Take(r Rect) { p.taken = append(p.taken, r) }

// Free tells whether nothing is covered there.
func (p *Placer) Free(r Rect) bool {
	const margin = 2
	return r.X0 >= margin && r.Y0 >= margin && r.X1 <= p.W-margin && r.Y1 <= p.H-margin &&
		!slices.ContainsFunc(p.taken, r.overlaps)
}

// Words are written where they belong, whatever is covered.
func (p *Placer) Words(x, y float64, words, class string) Shape {
	p.Take(Around(x, y-4, TextWidth(words)+2, Line))
	return Shape{Kind: "text", Class: class, X: x, Y: y, Text: words}
}

// Label writes words beside a place, dx and dy away from it: right, left,
// above, below, then the four corners, where nothing is covered yet. False:
// they have no place, and stand to its right all the same.
func (p *Placer) Label(x, y float64, words, class string, dx, dy float64) (Shape, bool) {
	w := TextWidth(words)
	if strings.HasPrefix(class, "name") {
		w *= bold
	}
	for _, try := range []struct {
		anchor string
		x, y   float64
	}{
		{"start", x + dx, y + 4}, {"end", x - dx, y + 4}, {"middle", x, y - dy - 4}, {"middle", x, y + dy + 14},
		{"start", x + dx, y - dy - 2}, {"end", x - dx, y - dy - 2}, {"start", x + dx, y + dy + 12}, {"end", x - dx, y + dy + 12},
	} {
		left := try.x
		switch try.anchor {
		case "middle":
			left -= w / 2
		case "end":
			left -= w
		}
		if r := (Rect{left, try.y - 11, left + w, try.y + 3}); p.Free(r) {
			p.Take(r)
			return Shape{Kind: "text", Class: class + " " + try.anchor, X: try.x, Y: try.y, Text: words}, true
		}
	}
	return Shape{Kind: "text", Class: class + " start", X: x + dx, Y: y + 4, Text: words}, false
}

// Near is the nearest free place for a mark of a size, in rings around a
// place that begin at a distance. False: all is covered.
func (p *Placer) Near(x, y, size, from float64) (float64, float64, bool) {
	const rings, directions = 8, 16
	far := from
	for range rings {
		for i := range directions {
			turn := float64(i)*2*math.Pi/directions - math.Pi/2
			px, py := x+far*math.Cos(turn), y+far*math.Sin(turn)
			if r := Around(px, py, size, size); p.Free(r) {
				p.Take(r)
				return px, py, true
			}
		}
		far *= 1.25
	}
	return x, y - from, false
}

// Scale maps values to places, both ways round.
type Scale struct{ V0, V1, P0, P1 float64 }

// At is the place of a value.
func (s Scale) At(v float64) float64 {
	if s.V1 == s.V0 {
		return (s.P0 + s.P1) / 2
	}
	return s.P0 + (v-s.V0)/(s.V1-s.V0)*(s.P1-s.P0)
}

// Ticks are the multiples of a round step (1, 2 or 5 times a power of ten)
// from low to high, at most so many.
func Ticks(low, high float64, most int) []float64 {
	if !(high > low) || most < 1 {
		return nil
	}
	power := math.Pow(10, math.Floor(math.Log10((high-low)/float64(most))))
	for _, times := range []float64{1, 2, 5, 10, 20} {
		step := times * power
		first, last := math.Ceil(low/step-1e-9), math.Floor(high/step+1e-9)
		if int(last-first)+1 > most {
			continue
		}
		var ticks []float64
		for k := first; k <= last; k++ {
			ticks = append(ticks, k*step)
		}
		return ticks
	}
	return nil
}

// Number writes a value with so many digits, without "-0".
func Number(v float64, digits int) string {
	text := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.HasPrefix(text, "-") && !slices.ContainsFunc([]byte(text), func(b byte) bool { return b >= '1' && b <= '9' }) {
		return text[1:]
	}
	return text
}
