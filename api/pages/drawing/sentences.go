package drawing

import (
	"fmt"
	"strings"
)

// Sentences tell section by section what the drawing shows.
func Sentences(p Plan) []string {
	var out []string
	for _, s := range p.Sections {
		if !s.Ducted {
			out = append(out, fmt.Sprintf("Section %s: no ducts.", s.Name))
			continue
		}
		say := []string{fmt.Sprintf("trunk from %s to %s ft", feet(s.Trunk.From), feet(s.Trunk.To))}
		for _, f := range s.Furnaces {
			say = append(say, f.Label+place(f.Ft, f.Assumed)+", joint "+f.State.Words())
		}
		for _, o := range s.Outlets {
			words := "outlet " + o.Label + place(o.Ft, o.Assumed) + " " + o.State.Words()
			if o.NoAir {
				words += ", gets no air"
			}
			say = append(say, words)
		}
		for _, e := range s.Ends {
			if e.Form != "" {
				say = append(say, fmt.Sprintf("%s end closed by a %s at %s ft", e.Label, strings.ReplaceAll(string(e.Form), "_", " "), feet(e.Ft)))
			} else {
				say = append(say, e.Label+" end "+e.State.Words())
			}
		}
		for _, o := range s.Openings {
			words := "hole in the " + string(o.In) + place(o.Ft, o.Assumed) + ", found"
			if o.ByCrew {
				words = strings.Replace(words, "found", "made by the crew", 1)
			}
			if o.Closed {
				words += ", closed"
			} else {
				words += ", open"
			}
			say = append(say, words)
		}
		out = append(out, fmt.Sprintf("Section %s: %s.", s.Name, strings.Join(say, "; ")))
	}
	for _, c := range p.Crossovers {
		out = append(out, fmt.Sprintf("%s from %s at %s ft to %s at %s ft.", upper(c.Label), c.From, feet(c.FromFt), c.To, feet(c.ToFt)))
	}
	if p.Assumed {
		out = append(out, "Places that were not recorded are drawn evenly spaced.")
	}
	return out
}

func place(ft float64, assumed bool) string {
	if assumed {
		return ""
	}
	return " at " + feet(ft) + " ft"
}

func upper(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
