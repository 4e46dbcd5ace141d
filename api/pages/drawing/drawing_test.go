package drawing_test

import (
	"bytes"
	"os"
	"testing"

	"ductledger/api/pages/drawing"
	"ductledger/api/pages/svg"
	"ductledger/domain/rules"
)

func TestLook(t *testing.T) {
	e := rules.ExampleEvaluation()
	a, err := rules.AssembleItems(nil, e.Items)
	if err != nil {
		t.Fatal(err)
	}
	set, _ := rules.DefaultSet(), 0
	_, v, err := rules.Evaluate(set, nil, e.Items)
	if err != nil {
		t.Fatal(err)
	}
	var flags []drawing.Flag
	for i, f := range v.Findings {
		flags = append(flags, drawing.Flag{Number: i + 1, Severity: string(f.Severity), Title: f.Rule, Subjects: f.Subjects})
	}
	pic := drawing.Draw(drawing.Of(a), flags)
	var b bytes.Buffer
	b.WriteString(`<!doctype html><meta charset=utf-8><link rel=stylesheet href=plan.css>`)
	if err := drawing.Parse(svg.Template()).ExecuteTemplate(&b, "drawing", pic); err != nil {
		t.Fatal(err)
	}
	_ = os.WriteFile("/tmp/plan.html", b.Bytes(), 0o644)
	t.Log(pic.Summary, pic.Unplaced)
}
