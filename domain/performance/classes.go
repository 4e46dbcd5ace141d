package performance

import (
	"cmp"
	"slices"
	"strings"
)

// minClass is the number of jobs below which a class of homes gets no term of
// its own but shares its neighbor's.
const minClass = 5

// classRank orders classes by size of home; others follow, alphabetically.
func classRank(class string) int {
	if i := slices.Index([]string{"single", "double", "triple"}, class); i >= 0 {
		return i
	}
	return 3
}

// A ClassTerm is what the model adds to the expected logarithm of the leakage
// left for homes of these classes; 0 for the first, to which the others compare.
type ClassTerm struct {
	Classes []string `json:"home_classes"`
	// Jobs of these classes.
	N int `json:"n"`
	// The first term is 0.
	Term float64 `json:"term"`
}

// mergeClasses joins each class below minClass jobs to its neighbor in size:
// the smallest first (of equals the first), to the neighbor with more jobs
// (of equals the smaller home).
func mergeClasses(counts map[string]int64) []ClassTerm {
	terms := make([]ClassTerm, 0, len(counts))
	for class, n := range counts {
		terms = append(terms, ClassTerm{Classes: []string{class}, N: int(n)})
	}
	slices.SortFunc(terms, func(a, b ClassTerm) int {
		return cmp.Or(cmp.Compare(classRank(a.Classes[0]), classRank(b.Classes[0])), strings.Compare(a.Classes[0], b.Classes[0]))
	})
	for len(terms) > 1 {
		least := 0
		for i, t := range terms {
			if t.N < terms[least].N {
				least = i
			}
		}
		if terms[least].N >= minClass {
			break
		}
		into := least - 1 // index of the lower of the two to be joined
		if least == 0 || least+1 < len(terms) && terms[least+1].N > terms[least-1].N {
			into = least
		}
		terms[into].Classes = slices.Concat(terms[into].Classes, terms[into+1].Classes)
		terms[into].N += terms[into+1].N
		terms = slices.Delete(terms, into+1, into+2)
	}
	return terms
}
