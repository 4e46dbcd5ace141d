// Package stat is the arithmetic under every figure of this module: sums in a
// fixed order, quantiles of distributions, a line, decimal
// rounding. It is for the other number packages, and for a field app
// that must reach the same digits as the server.
//
// The one idea: equal input gives equal bytes. Sums are plain loops over the
// given order, products are wrapped in float64(…) before they are added, so
// that no compiler fuses them; nothing walks a map, nothing runs in parallel.
// A library's vectorized sum adds in another order on another processor:
//
//	floats.Sum(x)   // not here: four partial sums on one machine, one on another
//	stat.Sum(x)     // always x[0]+x[1]+…
//
// Equal bytes are promised for one kind of processor. Exp and a few others of
// package math are written by hand for some processors and may differ there in
// the last bit: what is stored is computed by the service, a device's figure is
// a preview.
//
// Two rounding rules that look alike are not: 6.9749505 as a float64 lies above
// the tie, so formatting it to seven digits gives 6.974951, where half-even in
// decimal gives 6.974950. Round works on the decimal digits.
//
// Units: none; the callers' comments name them. What no honest number follows
// from comes back as a *Refusal with the argument named; nothing panics on
// input, and no answer holds NaN or an infinity.
//
// Sources: NIST Statistical Reference Datasets (certified values), NIST TN 1297
// (Student's t), NIST SP 811 (rounding), JCGM 100 (GUM). Marks in comments and
// tests: [pub] published, [mem] published and recalled from memory, [cp] common
// practice, [calc] follows from the formula.
package stat
