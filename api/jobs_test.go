package api

import (
	"testing"

	"ductledger/api/frame"
	"ductledger/domain/rules"
)

// What an answer does not list it counts.
func TestFindingsListed(t *testing.T) {
	s := &Server{limits: frame.Limits{AnswerFindings: 2}.OrDefaults()}
	for _, n := range []int{0, 1, 2, 3, 5000} {
		if list, more := s.listed(make([]rules.Finding, n)); len(list) != min(n, 2) || len(list)+more != n {
			t.Errorf("of %d findings %d are listed and %d counted", n, len(list), more)
		}
	}
}
