// Package cutlist says what to cut for a home's ducts and how much material
// that takes: blanks for trunk ends, duct-board plugs, bracket strips,
// patches, screws, bands, mesh and mastic, for one job and for a day's jobs.
//
// It is for the crew, which cuts at the truck and not under the home, and for
// whoever loads the truck. The one idea: each piece is a plain rectangle with
// its length, width and notches, so that it can be cut with snips and a rule;
// totals are sums of the pieces, and waste is added once, to the totals.
//
//	list, err := cutlist.ForJob(job, cutlist.DefaultParameters())
//	day,  err := cutlist.ForJobs(jobs, p)   // totals add; waste once, so screws are not rounded up per job
//
// # Units
//
// Lengths in in, areas in in², mastic in in³ and US gallons (231 in³),
// coverage in ft² per gallon, angles in degrees. Sizes of ducts are inside
// sizes. Nothing is rounded but counts with waste, which go up to whole ones.
//
// # What it refuses
//
// Sizes that are not above zero or beyond any duct, a bracket strip outside
// its width, more than 500 pieces of a kind, waste above 99 %; each with the
// argument named. A metal blank wider both ways than the stock is not refused:
// it is flagged, since it can be made of two.
//
// Cut metal is sharp and the work is under a home: the list carries a caution,
// and local code and licensed people decide what may be done.
//
// # Sources
//
// Geometry follows from the shapes [calc]. Allowances, laps and counts are
// common practice [cp] and parameters; see Parameters. The gallon is 231 in³
// (NIST SP 811 [mem]).
package cutlist
