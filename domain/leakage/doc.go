// Package leakage answers how much a home's ducts leak, how well that is
// known, and what a job changed. It takes plain numbers and knows no records,
// so a service and a field app reach the same digits.
//
// The one idea: a figure never travels without its uncertainty, and the part
// of the uncertainty that two tests share (the instrument) is kept apart from
// the part they do not, because only the second is left in their difference.
//
// Total leakage (to anywhere) and leakage to outside are different quantities,
// two Go types, and do not meet in one reduction:
//
//	leakage.Reduce(total, outside, p) // Measured[TotalLeakage] and Measured[OutsideLeakage]: does not compile
//
// Units: pressures in Pa, flows in cfm, leakage in cfm at 25 Pa ("cfm25"),
// areas in ft², temperatures in °C, elevations in m. Uncertainties are
// standard uncertainties (one standard deviation), relative as a fraction,
// unless a name says otherwise. Results are not rounded.
//
// Refused, with the argument named, as *stat.Refusal: values that are not
// finite or not positive, readings without spread, exponents outside their
// limits, pressures outside an instrument's range. A home pressure or a
// scatter that makes a figure undecided is said in a word beside the figure.
//
// No figure here says anything about the air people breathe or about the
// equipment; it is the size of holes under a test pressure.
//
// Sources stand at each function; [pub] published, [mem] published and
// recalled from memory, [cp] common practice, [calc] follows from the formula.
package leakage

// MethodVersion names the computations of this package as a whole. Stored
// beside each published figure: a change that moves any digit gets a new one.
//
// leakage-3: what is below the limit of a subtraction lies between 0 and the limit,
// in every answer. leakage-2: every test carries the uncertainty of doing it again, also one with
// many readings; quality follows from the interval's width; a subtraction may be
// below what the method can tell; the air correction knows what passes the fan.
const MethodVersion = "leakage-3"

// The version of each method by itself.
const (
	FanTestVersion     = "fan-test-2"
	SubtractionVersion = "subtraction-3"
	PanVersion         = "pan-1"
	NormalizedVersion  = "normalized-1"
	ReductionVersion   = "reduction-2"
	AlteredVersion     = "altered-ducts-1"
)
