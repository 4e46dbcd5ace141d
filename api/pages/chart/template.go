package chart

import (
	"embed"
	"html/template"
)

//go:embed chart.html
var files embed.FS

// Parse adds "chart" to the templates of the pages, which hold "shape".
func Parse(t *template.Template) *template.Template {
	return template.Must(t.ParseFS(files, "chart.html"))
}
