// Package month makes what an agency sends to its funder for a month, and what
// it pays its contractors: it plans where the history is cut, writes the tables
// of the package from one snapshot, names the jobs of a difference, builds and
// stores revisions, releases them, and reads a contractor's statement.
package month
