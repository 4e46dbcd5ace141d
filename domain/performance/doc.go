// Package performance compares contractors by what their jobs left behind,
// and says how sure each figure is. It is for the staff who must decide whom
// to help, for the contractor who disputes a figure, and for the funder who
// wants totals that add up.
//
// # The one idea
//
// Three questions have three figures, and none may stand in for another: the
// pooled reduction (ratio of sums, for money and energy), the typical
// reduction (geometric mean, one home one voice), and the adjusted index
// (leakage left against what the same homes would have left on average, drawn
// toward the program by as much as few jobs deserve). Percentages of jobs
// are never averaged.
//
// # Units
//
// Readings are duct leakage at 25 Pa in whole tenths of a cfm (cfm25), as
// results store them; sums of them are exact. Logarithms are natural and
// without unit, floor areas in ft², shares and ratios fractions. A positive
// reduction is less leakage after than before.
//
// # Order
//
// Everything that grows with the jobs is a sum of integers (readings in
// tenths, areas in hundredths of ft², logarithms as multiples of 2^−44), so
// the order of the jobs, and cutting them into parts that are added up later,
// change no byte of the answer. A job that comes twice with the same content
// counts once. Groups are taken in the order of their ids.
//
// Memory grows with contractors × home classes × months, and by two whole
// numbers of 4 bytes for each job, of which the medians are.
//
// # What is refused
//
// A figure without enough jobs is absent, and a reason stands in its place;
// it is never 0 and never NaN. A job that cannot count is counted by reason.
// There are no ranks: lists are alphabetical.
//
// # Sources
//
// Named at each function; the interval kernels are those of package stat.
package performance
