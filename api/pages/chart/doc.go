// Package chart draws what the pages compare: a funnel of contractors, a row
// with a range, before and after, a strip of months.
//
// A chart is plain data turned into shapes; it knows no record and no rule.
// Axis words stand before axis numbers, limits are named by what they mean, only
// what lies outside is named, and every chart stands beside its table.
package chart

import "ductledger/api/pages/svg"

// Picture is a chart ready for the template: its size, what it says in one
// sentence, and its shapes.
type Picture struct {
	Width, Height int
	Label         string // for whoever cannot see it
	Shapes        []svg.Shape
}

func (p *Picture) add(s ...svg.Shape) { p.Shapes = append(p.Shapes, s...) }
