// Package month decides what stands in the funder's package of a month: which
// jobs count, what was corrected, and how one month's figures follow from the
// month before. It is pure: rows come in, rows and sums go out; storage reads
// them, and package pack writes the file.
//
// # The one idea
//
// A job's acceptances are intervals of the ledger: accepted at position a, in
// force until position u, where it was opened again, voided or changed by a
// person's decision. A job stands at position P when a ≤ P < u for one of
// them. A home counts in the month in which its job was first accepted, in
// the program's time zone, for ever; what happens to it afterwards is a
// correction to that month, shown in the package that is the first to know.
//
// The package of month m at position P follows the one of month m−1 at P₀:
//
//	cumulative(m, P) = Σ figures of all jobs of months ≤ m that stand at P
//
// and every job explains its part of cumulative(m, P) − cumulative(m−1, P₀):
//
//	new           month m, stands at P
//	late          an earlier month, never in a package before, stands at P
//	corrections   an earlier month: figures at P less figures at P₀; opened
//	              again and not accepted yet counts as nothing at P
//	voided        an earlier month, stood at P₀ and is void at P
//
// Storage sums cumulative on both sides by itself, so a job that falls
// between the classes stops the package (see Reconcile).
//
// # Events
//
// Each re-opening, voiding, second acceptance, change and piece of late work
// stands in exactly one package: that of month m holds the events of jobs of
// earlier months in (P₀, P], and all events up to P of its own jobs. In the
// usual case, where every package is cut where its month ended, that is
// (P₀, P] for all; the difference matters only to a revision that was cut
// later, inside the next month: it must not swallow what happened to jobs that
// it does not count.
//
// # Money
//
// A job is paid by the price schedule of the rules that it was judged by
// (PayOf). A complaint that is closed at the crew's fault takes back a part of
// it, at the prices of the day on which it was reported (ChargesOf), never more
// than was paid and from the funds that had paid (Less). It moves the figures
// at the position of the complaint's version: in the job's own month among its
// lines of payment, later as a correction, and as a line of call_backs.csv.
// The same lines, counted by fund source and category, make the costs, which
// follow from month to month as the measures do (Spending).
//
// # Units
//
// Leakage is cfm at 25 Pa in whole tenths, money in whole US cents: integers
// that add up in any order. Nothing is rounded here but amounts of pay and
// average costs.
//
// # Refusals
//
// A difference between the sums is an error that names each measure
// (domain.NotReconciled). A history that cannot be (an acceptance that ends
// before it begins, two at once) is an error too.
//
// Sources: the equation is the roll-forward of any ledger, opening balance
// plus movements gives closing balance; month of acceptance and corrections in
// later months are this program's own decisions.
package month
