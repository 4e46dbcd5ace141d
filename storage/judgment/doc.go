// Package judgment reads what the rules make of stored jobs: as a job stands, as
// it was accepted, by another rule set (a preview), and once more from what its
// result was made of, which must give the same bytes.
package judgment
