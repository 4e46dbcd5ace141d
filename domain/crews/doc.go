// Package crews says who may lead, what to teach next, and whether a lesson helped.
//
// Only what an inspector found speaks against a crew, and only after the work: what a
// crew mended on site counts against nobody. What crews recorded of themselves names
// topics for the whole program and no crew, so that candor costs nobody anything.
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
// Sources: Fisher, The Design of Experiments (1935) [mem]; Benjamini & Hochberg, J. R.
// Stat. Soc. B 57 (1995) 289 [pub]; limits at stat.Wilson and stat.RateContrast.
package crews
