// Package domain holds the records of duct sealing in manufactured homes as a
// crew can really fill them in: what a home is like, what was opened, repaired,
// measured and photographed, who did it and who judged it.
//
// A record is exactly what a field app sends: its fields carry the names of
// the wire, each name ends in its unit, and nothing in it belongs to the
// service. Absent means not known, so a fact that may be missing is a pointer:
// a reading of 0 Pa and no reading are different things. Units are US
// customary, as the trade works: cfm, Pa, in, ft, ft², °F.
//
// The package imports nothing of ours, does no I/O, knows no clock and
// compiles to WebAssembly, so that a field app can run the same rules under a
// home without a signal. What the rules make of the records stands in
// domain/rules, the arithmetic in domain/leakage and its neighbors.
package domain
