package docs

import (
	"regexp"
)

// guide is the page for whoever writes a field app.
type guide struct {
	Title    string
	Sections []section
	X        map[string]*Exchange
	Moves    movesPicture
}

// section is a heading of the guide.
type section struct{ Title, Anchor string }

var (
	headingText = regexp.MustCompile(`<h2 id="([^"]+)">(.*)</h2>`)
	markText    = regexp.MustCompile(`<[^>]*>`)
)

// guideOf lists its own headings.
func guideOf(exchanges map[string]*Exchange) (guide, error) {
	g := guide{Title: "Writing a field app", X: exchanges, Moves: pictureOfMoves()}
	text, err := files.ReadFile("guide.tmpl")
	if err != nil {
		return g, err
	}
	for _, h := range headingText.FindAllStringSubmatch(string(text), -1) {
		g.Sections = append(g.Sections, section{Title: markText.ReplaceAllString(h[2], ""), Anchor: h[1]})
	}
	return g, nil
}
