// Package calculations answers the computations alone: readings in, figures
// out. Nothing is stored and no database is asked, so a handler is a function
// of its request. The arithmetic is that of domain/leakage, delivery and
// cutlist, which say where their formulas come from; here stand the shapes of
// requests and answers.
//
// Units are in the names of the fields. Answers are not rounded. What a
// computation refuses comes back as a problem that names the argument.
package calculations
