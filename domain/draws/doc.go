// Package draws says which jobs to inspect, so that nobody chooses them, and
// what the inspected ones tell of all.
//
// # The design
//
// Each contractor's jobs of a month are a stratum. Part A draws a fixed share
// of every stratum, each job with the same chance. Part B adds jobs by their
// risk, each for itself. A job is inspected when either part draws it, and its
// chance to be is known before anything is drawn:
//
//	π = 1 − (1 − n/N)(1 − b)    b = min(1, TopUp · risk / Σ risk)
//
// Where jobs are drawn as they come, part A begins before N is known: each job
// whose number is below the share is drawn at once, and in the end each stratum is
// filled up to its n. What was drawn, m ≥ n, are the m smallest numbers of the
// stratum; given m, each of its jobs had the same chance m/N, so m stands for n in
// all that is estimated.
//
// A plain share of the inspected jobs would speak of the risky ones; weighted
// by 1/π it speaks of all. Of one contractor only part A speaks.
//
// # Anybody can draw again
//
// A job is drawn by a number of its own, made from a secret seed and its id:
// the order of the jobs, the language and jobs that are added later change
// none. The seed's digest is told before the month and the seed after it, so
// that nobody can choose it to suit the jobs.
//
// Sources: probabilities and estimators, Horvitz and Thompson, J. Am. Stat.
// Assoc. 47 (1952) 663, and Särndal, Swensson, Wretman, Model Assisted Survey
// Sampling (1992) ch. 2, 3, 5 [mem]; numbers that stay with their unit, Ohlsson,
// Coordination of samples using permanent random numbers (1995) [mem]; HMAC,
// RFC 2104.
package draws
