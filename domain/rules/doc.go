// Package rules judges a job by the rules of its program and computes its
// result, for the crew that is still under the home, the reviewer who accepts
// the work and the auditor who asks why.
//
// The one idea: a rule is data (what it asks, why, how severe, what a missing
// fact means, whether and where a fault can be cured) beside one pure function
// over the assembled job. Everything that reads rules, a verdict, a page about
// a rule, a changed setting, reads the same row, and one more rule is one more
// row.
//
//	job, err := rules.Assemble(jobID, entries, outside)
//	verdict := rules.Judge(set, job)
//	result := rules.Compute(set, job)
//
// Outcomes are kept apart: a rule holds, is broken, cannot be told because a
// fact is missing (not_recorded), does not apply, was not judged because the
// missing fact may stay silent, or was waived. An absent fact is never taken
// for a good one. A fact of the home that several rules miss is one finding.
//
// A job claims only what it shows. One that says completed owes a visit, the
// look inside, and of every ducted section its trunk, both ends, and every
// outlet, counted and numbered; each tight, repaired, or out of reach with a
// reason; and air at every outlet at the end. An outlet that nobody described
// is not recorded. A job that says partial owes the same description; what it
// left undone is a question for the reviewer, with its reason. Until a job is
// sent in, what is not recorded is no more than the list of what to enter.
//
// One statement may stand for many parts: a component with numbers in place of
// one number, all of one sort, in one section, found alike; a repair that names
// it covers them all. It stays one record, one name in a sentence and one
// finding; outcomes, layout, outlets, photos and readings count its parts. What
// differs is a record of its own.
//
// A repair that does an earlier one again takes its parts from it: quality is
// judged of what stands now, conduct of all that was done.
//
// Payable is what was shown: no line of work without a visit, a record of work
// and a photo; no trip without a visit, a coded reason and a photo.
//
// Units: in, ft, Pa, cfm, cfm25 (cfm at 25 Pa), ppm; names end in them. Times
// are shown as the device wrote them. Floats are not rounded; sentences round.
//
// Everything is deterministic: records are ordered by id, no map is walked, no
// clock is read, and the order in which records came changes nothing.
//
// Refused: records of another job, two versions of one record, a job that is
// not among its own records, a setting of an unknown rule or parameter or one
// outside its bounds. Anything else is judged, never refused.
//
// Each rule names its source: a published one, or common practice where there
// is none. No sentence here says that a home, a part or an appliance is free
// of danger; where work can hurt, a short caution defers to local code and
// licensed people.
package rules
