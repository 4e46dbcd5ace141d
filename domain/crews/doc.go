// Package crews says who may lead, what to teach next, and whether a lesson helped.
//
// Only what an inspector found speaks against a crew, and only after the work: what a
// crew mended on site counts against nobody. What crews recorded of themselves names
// topics for the whole program and no crew, so that candor costs nobody anything.
//
// A crew is known by who led it. What was found speaks of a crew member only where all
// repairs that the rule is about name this one: who was there beside others is named for
// nothing, and the rest is counted as naming nobody. The inspectors' readings after are set
// beside the crews' own: a crew that reads less than it leaves is taught to read.
//
// A crew stands out in a rule where inspectors found it broken more often than in the
// other crews' homes: Fisher's exact test, one-sided, under Benjamini and Hochberg
// over all crews and rules of the answer. A lesson is compared with itself:
//
//	change = (own after − own before) − (others after − others before)
//
// in homes in which one of its rules was judged, so that a season or a new rule that
// moved all crews is not taken for the lesson.
//
// Readings are compared by Welch's t, one-sided, under the same control over all crews.
//
// Sources: Fisher, The Design of Experiments (1935) [mem]; Benjamini & Hochberg, J. R.
// Stat. Soc. B 57 (1995) 289 [pub]; limits at stat.Wilson and stat.RateContrast.
package crews
