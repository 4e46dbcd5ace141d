package month

import (
	"cmp"
	"maps"
	"slices"

	"ductledger/domain"
)

// A Suppression says whose counts a package does not show.
//
// A contractor with fewer jobs in the month than the program's floor is
// hidden. One cell that is missing can be had from the total, so the next
// smallest are hidden with it until at least two are, their jobs together reach
// the floor, and they are more than one each. The rows of the jobs would give
// the counts away again: there, and in payments, the contractor is named
// suppressed too. Every figure of a job stays, and the hidden ones have one row
// for all of them, so sums over contractors still come to the totals.
//
// Who was hidden for the floor and who beside is not told: it would narrow
// down what is hidden.
type Suppression struct {
	hidden map[domain.UUID]bool
	named  bool
}

// SuppressedRef stands for the contractors that are hidden.
const SuppressedRef = "suppressed"

// Words of the column suppression.
const (
	suppressedRow = "suppressed"
	suppressedSum = "sum_of_suppressed"
)

// Suppress decides by each contractor's jobs of the month.
func Suppress(jobs map[domain.UUID]int64, floor int64) Suppression {
	ids := slices.SortedFunc(maps.Keys(jobs), func(a, b domain.UUID) int { return cmp.Or(cmp.Compare(jobs[a], jobs[b]), a.Compare(b)) })
	s := Suppression{hidden: map[domain.UUID]bool{}}
	if len(ids) == 0 || jobs[ids[0]] >= floor {
		return s
	}
	together := int64(0)
	// Each has one job at least: more than one each leaves something to guess.
	enough := func() bool { return s.Count() >= 2 && together >= floor && together > s.Count() }
	for _, id := range ids {
		if jobs[id] >= floor && enough() {
			break
		}
		s.hidden[id] = true
		together += jobs[id]
	}
	s.named = enough() // else who is named would be told with the total
	return s
}

// Hides tells whether a contractor is hidden.
func (s *Suppression) Hides(contractor domain.UUID) bool { return s.hidden[contractor] }

// Names tells whether a hidden contractor has a row of its own, without figures.
func (s *Suppression) Names() bool { return s.named }

// Count is how many are hidden.
func (s *Suppression) Count() int64 { return int64(len(s.hidden)) }

// Ref is a contractor as the package names it.
func (s *Suppression) Ref(contractor domain.UUID) string {
	if s.Hides(contractor) {
		return SuppressedRef
	}
	return ContractorRef(contractor)
}
