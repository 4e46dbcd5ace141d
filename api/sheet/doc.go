// Package sheet writes view/summary.xlsx, the part of the funder's package
// that a person opens first.
//
// It decides how the figures look, never what they are: the sheets come from
// package pack, which takes every cell from the package's own tables.
//
// Cells are typed: figures are numbers with a format, days are dates, ids and
// words are strings that no spreadsheet reads as something else. There is no
// formula, no link, no macro and nothing hidden. The same sheets give the same
// bytes: no time but the package's own as-of time is written, and the parts of
// the workbook stand in a fixed order.
//
// It is apart from domain, which is pure, since excelize links networking.
package sheet
