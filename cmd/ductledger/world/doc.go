// Package world invents a weatherization program: an agency, contractors
// with crews, papers and instruments, homes, and what the crews did there day
// by day. Everything is made up and round; names begin with "DEMO".
//
// One seed gives one world: whatever is drawn comes from generators that are
// seeded with it and with the job's number, so that a job is the same however
// many others there are. Only dates follow the day on which it is made. A few
// ids are fixed (Fixed…): examples refer to them.
//
// Readings are drawn so that they are plausible, from no data of anybody: the
// leakage before is lognormal with median 150 cfm25 and a log standard
// deviation of 0.6, after with median 60 and 0.55, correlated by 0.6.
package world
