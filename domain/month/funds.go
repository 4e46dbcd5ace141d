package month

import (
	"fmt"
	"slices"
	"strings"

	"ductledger/domain"
)

// Funds are those that a program pays from at a month's end.
type Funds struct {
	List  []string
	First string // what a job that was accepted before there were funds is for; empty where that cannot be told
}

// FundsOf gathers the funds of the rule sets that began by the month's end; a
// fund stays when a later set no longer names it: its jobs stand on. The first
// set holds from the beginning.
func FundsOf(sets []*domain.RuleSet, m domain.Month) (f Funds) {
	sets = slices.SortedStableFunc(slices.Values(sets), func(a, b *domain.RuleSet) int { return strings.Compare(string(a.FromOn), string(b.FromOn)) })
	lastDay := domain.Date(string(m) + "-31") // as text, no day of the month is behind it
	for i, set := range sets {
		if i > 0 && set.FromOn > lastDay {
			break
		}
		funds := set.Funds()
		if len(f.List) == 0 && len(funds) == 1 {
			f.First = funds[0]
		}
		for _, fund := range funds {
			if !slices.Contains(f.List, fund) {
				f.List = append(f.List, fund)
			}
		}
	}
	return f
}

// Only is the fund of a program that has one; empty where it has none or more.
func (f *Funds) Only() string {
	if len(f.List) == 1 {
		return f.List[0]
	}
	return ""
}

// Package is the fund whose package is asked for. One that names no fund is of the
// whole program: the agency's own, where there are several.
func (f *Funds) Package(asked string) (string, error) {
	switch {
	case asked == "" || len(f.List) == 1 && asked == f.List[0]:
		return "", nil
	case slices.Contains(f.List, asked):
		return asked, nil
	}
	have := "it names none"
	if len(f.List) > 0 {
		have = "its funds are " + strings.Join(f.List, ", ")
	}
	return "", domain.InvalidFields([]domain.Fault{{Pointer: "/fund_source", Code: "not_listed", Detail: fmt.Sprintf("%.60q is no fund of the program; %s", asked, have), Fix: "name one of them"}})
}

// Parts are the parts of a statement: one for each package, and where there are
// several funds one of the jobs that name none.
func (f *Funds) Parts() []string {
	if len(f.List) < 2 {
		return []string{""}
	}
	return append(slices.Clone(f.List), WithoutFund)
}
