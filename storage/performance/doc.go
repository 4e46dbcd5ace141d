// Package performance reads what domain/performance computes from: the jobs
// accepted in a period as they stood at a position of the ledger, the work
// assigned in it, the steps of repair, inspectors' readings, and the figures
// that were published.
package performance
