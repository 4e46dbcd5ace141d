package docs

import (
	"html"
	"slices"
	"strings"
	"unicode"
)

// found is a page, or a part of one, that a search may find.
type found struct {
	Title, Sort, Link, About string

	heading, words []string
}

// searched is the page of what was found.
type searched struct {
	Title, Words string
	Hits         []found
}

// The most hits that somebody reads.
const mostHits = 40

// wordsOf are the words of a text, in lower case. Names such as base_version are
// one word and found by their parts too.
func wordsOf(text string) []string {
	split := func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) && r != '_' }
	list := strings.FieldsFunc(strings.ToLower(text), split)
	for _, w := range list {
		if strings.Contains(w, "_") {
			list = append(list, strings.FieldsFunc(w, func(r rune) bool { return r == '_' })...)
		}
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// begins tells whether one of the sorted words begins so.
func begins(words []string, beginning string) bool {
	at, exact := slices.BinarySearch(words, beginning)
	return exact || at < len(words) && strings.HasPrefix(words[at], beginning)
}

// find gives what has all the words: first where they stand in the title, then
// in the order of the pages.
func (d *Pages) find(text string) (searched, error) {
	s := searched{Title: "Search", Words: text}
	asked := wordsOf(text)
	if len(asked) == 0 {
		s.Words = ""
		return s, nil
	}
	list, err := d.search()
	if err != nil {
		return s, err
	}
	s.Title = "Search: " + text
	all := func(words []string) bool {
		return !slices.ContainsFunc(asked, func(w string) bool { return !begins(words, w) })
	}
	var rest []found
	for _, f := range list {
		switch {
		case all(f.heading):
			s.Hits = append(s.Hits, f)
		case all(f.words):
			rest = append(rest, f)
		}
	}
	s.Hits = append(s.Hits, rest...)
	s.Hits = s.Hits[:min(len(s.Hits), mostHits)]
	return s, nil
}

// searchOf makes the list of what can be found, those pages first that tell most.
func (d *Pages) searchOf() ([]found, error) {
	var list []found
	add := func(sort, link, title, about, text string) {
		if len(about) > 160 {
			about = about[:strings.LastIndex(about[:160], " ")] + " …"
		}
		list = append(list, found{Title: title, Sort: sort, Link: link, About: about, heading: wordsOf(title), words: wordsOf(title + " " + text)})
	}
	page, err := d.page("guide", &d.guide)
	if err != nil {
		return nil, err
	}
	for i, part := range strings.Split(string(page.Body.([]byte)), `<h2 id="`) {
		if i > 0 && i <= len(d.guide.Sections) {
			text := plainText(part[strings.Index(part, "</h2>"):])
			add("guide", "/docs/guide#"+d.guide.Sections[i-1].Anchor, html.UnescapeString(d.guide.Sections[i-1].Title), text, text)
		}
	}
	for i := range d.topics {
		page, err := d.page(d.topics[i].Name, &d.topics[i])
		if err != nil {
			return nil, err
		}
		text := string(page.Body.([]byte))
		text = plainText(text[strings.Index(text, "</h1>"):strings.Index(text, "</main>")])
		add("page", "/docs/"+d.topics[i].Name, d.topics[i].Title, text, d.topics[i].Name+" "+text)
	}
	for _, s := range d.index.Subjects {
		for _, o := range s.Operations {
			about := said(o.Description)
			text := about + " " + o.ID + " " + o.Path + " " + s.Name
			for _, f := range o.Parameters {
				text += " " + f.Name
			}
			add("operation", "/docs/operations/"+o.ID, o.Summary, o.Method+" "+o.Path, text)
		}
	}
	for _, p := range problemPages() {
		add("problem", p.Address(), p.Heading, string(p.Code)+": "+p.Meaning, string(p.Code)+" "+p.Meaning+" "+p.Remedy)
	}
	for _, r := range d.rules {
		add("rule", "/docs/rules/"+r.Key(), r.Title(), r.Page.Why, r.Key()+" "+r.Page.Why+" "+r.Page.Judged+" "+r.Page.Fix)
	}
	for _, name := range d.index.doc.tree("components", "schemas").names {
		s, _ := d.schema(name)
		text := said(s.Description)
		for _, f := range s.Fields {
			text += " " + f.Name + " " + said(f.Text)
		}
		add("shape", "/docs/schemas/"+name, name, said(s.Description), text)
	}
	return list, nil
}

func said(paragraphs [][]piece) string {
	var b strings.Builder
	for _, p := range paragraphs {
		for _, piece := range p {
			b.WriteString(piece.Text)
		}
		b.WriteByte(' ')
	}
	return strings.TrimSpace(b.String())
}

// plainText is what of a page is read.
func plainText(page string) string {
	return strings.Join(strings.Fields(html.UnescapeString(markText.ReplaceAllString(page, " "))), " ")
}
