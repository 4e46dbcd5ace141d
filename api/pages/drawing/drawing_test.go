package drawing_test

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"ductledger/api/pages/drawing"
	"ductledger/api/pages/svg"
	"ductledger/domain"
	"ductledger/domain/rules"
)

// job is the invented job with three faults, changed.
func job(t *testing.T, change func(domain.Record)) (*rules.Assembled, []drawing.Flag) {
	t.Helper()
	items := rules.ExampleEvaluation().Items
	for _, item := range items {
		change(item.Record)
	}
	a, err := rules.AssembleItems(nil, items)
	if err != nil {
		t.Fatal(err)
	}
	_, verdict := rules.ComputeAndJudge(rules.DefaultSet(), a)
	var flags []drawing.Flag
	for i, f := range verdict.Findings {
		flags = append(flags, drawing.Flag{Number: i + 1, Severity: string(f.Severity), Title: f.Rule, Subjects: f.Subjects})
	}
	return a, flags
}

func unchanged(domain.Record) {}

// The places are those of the records, by hand: trunks from 1 to 55 ft, the
// closure at the rear of B at 49 ft before outlet B7 at 51 ft.
func TestThePlanSaysWhatTheRecordsSay(t *testing.T) {
	t.Parallel()
	a, _ := job(t, unchanged)
	p := drawing.Of(a)
	if len(p.Sections) != 2 || p.Assumed {
		t.Fatalf("%d sections, assumed %v", len(p.Sections), p.Assumed)
	}
	places := map[domain.Section][]float64{"A": {4, 11, 18, 26, 34, 43, 51}, "B": {4, 12, 20, 28, 36, 44, 51}}
	for _, s := range p.Sections {
		var got []float64
		for i, o := range s.Outlets {
			got = append(got, o.Ft)
			if want := fmt.Sprint(s.Name, i+1); o.Label != want || o.State != drawing.Sealed || o.NoAir != (want == "B7") {
				t.Errorf("outlet %+v, not %s, sealed", o, want)
			}
		}
		if !slices.Equal(got, places[s.Name]) || s.Trunk != (drawing.Span{From: 1, To: 55}) {
			t.Errorf("section %s: outlets at %v, trunk %v", s.Name, got, s.Trunk)
		}
	}
	b := p.Sections[1]
	if len(b.NoAir) != 1 || b.NoAir[0] != (drawing.Span{From: 49, To: 55}) || len(p.Sections[0].NoAir) != 0 {
		t.Errorf("cut off: %v and %v", p.Sections[0].NoAir, b.NoAir)
	}
	if len(p.Crossovers) != 1 || p.Crossovers[0].FromFt != 24 || p.Crossovers[0].ToFt != 24 {
		t.Errorf("crossovers %+v", p.Crossovers)
	}
	words := strings.Join(drawing.Sentences(p), " ")
	for _, want := range []string{"outlet B7 at 51 ft sealed, gets no air", "rear end closed by a sloped blank at 49 ft", "furnace, electric at 20 ft", "hole in the wrap at 40 ft, found, open", "Crossover, replaced, 2.5 in off the ground from A at 24 ft to B at 24 ft."} {
		if !strings.Contains(words, want) {
			t.Errorf("%q is missing in: %s", want, words)
		}
	}
}

// Nothing that is not recorded is drawn as if it were: no state is no tick, and
// no place is said to be none.
func TestWhatIsNotRecordedIsDrawnSo(t *testing.T) {
	t.Parallel()
	a, _ := job(t, func(r domain.Record) {
		if c, ok := r.(*domain.Component); ok && c.Component == domain.Boot && c.Section == "A" {
			if *c.Number != 1 && *c.Number != 7 {
				c.PositionFt = nil
			}
			c.Found = ""
		}
		if r, ok := r.(*domain.Repair); ok && r.Repair == domain.RepairBoot {
			r.ComponentIDs = nil
		}
	})
	p := drawing.Of(a)
	if !p.Assumed {
		t.Error("the drawing does not say that places were assumed")
	}
	outlets := p.Sections[0].Outlets
	for i, o := range outlets { // A1 at 4 ft and A7 at 51 ft are known: five stand evenly between
		if want := 4 + 47*float64(i)/6; math.Abs(o.Ft-want) > 1e-9 || o.State != drawing.Unknown {
			t.Errorf("%s stands at %v in the state %s, not at %v", o.Label, o.Ft, o.State, want)
		}
	}
	words := strings.Join(drawing.Sentences(p), " ")
	if !strings.Contains(words, "outlet A2 not recorded") || !strings.Contains(words, "evenly spaced") {
		t.Errorf("%s", words)
	}
}

func TestAnEmptyJobIsDrawn(t *testing.T) {
	t.Parallel()
	p := drawing.Of(&rules.Assembled{})
	pic := drawing.Draw(p, []drawing.Flag{{Number: 1, Subjects: []domain.Subject{{Kind: domain.JobKind}}}})
	if len(p.Sections) != 0 || len(pic.Unplaced) != 1 || pic.Height <= 0 {
		t.Errorf("%+v", pic)
	}
}

// The drawing is well formed, each placed finding has one flag with its number,
// no flag covers another, and script in a name stays words.
func TestTheDrawing(t *testing.T) {
	t.Parallel()
	a, flags := job(t, unchanged)
	for len(flags) < 14 { // a crowd on one part
		flags = append(flags, drawing.Flag{Number: len(flags) + 1, Severity: "check", Subjects: flags[1].Subjects})
	}
	pic := drawing.Draw(drawing.Of(a), flags)
	pic.Summary += "<script>alert(1)</script>"
	var b bytes.Buffer
	if err := drawing.Parse(svg.Template()).ExecuteTemplate(&b, "drawing", pic); err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(b.Bytes(), []byte("<script")) {
		t.Error("script got through")
	}
	d := xml.NewDecoder(&b)
	for {
		if _, err := d.Token(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	var at []svg.Shape
	numbers := map[string]int{}
	for _, s := range pic.Shapes {
		switch {
		case s.Kind == "circle" && strings.HasPrefix(s.Class, "flag"):
			for _, o := range at {
				if math.Hypot(s.X-o.X, s.Y-o.Y) < s.W+o.W {
					t.Errorf("flags at %.0f, %.0f and %.0f, %.0f cover each other", s.X, s.Y, o.X, o.Y)
				}
			}
			at = append(at, s)
		case s.Kind == "text" && strings.HasPrefix(s.Class, "flag"):
			numbers[s.Text]++
		}
	}
	if len(at)+len(pic.Unplaced) != len(flags) || len(at) < 13 {
		t.Errorf("%d flags and %d without a place, of %d", len(at), len(pic.Unplaced), len(flags))
	}
	for n, count := range numbers {
		if count != 1 {
			t.Errorf("%d flags say %s", count, n)
		}
	}
}
