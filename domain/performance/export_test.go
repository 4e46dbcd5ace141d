package performance

import (
	"iter"
	"slices"
	"strconv"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// Compare summarizes the jobs accepted in the period, by contractor and for
// the program. Every contractor of names has a line, also without a job.
// The jobs may stand in any order. Refused: what NewTally and Add refuse.
// Source: at each figure, Summary, Model and Standing [calc].
func Compare(jobs []Job, period Period, names map[domain.UUID]string) (Comparison, error) {
	t, err := take(inOrder(jobs), period, ByContractor)
	if err != nil {
		return Comparison{}, err
	}
	return t.Comparison(names)
}

// CompareGroups summarizes the jobs by class of home or by crew lead; names
// are those of the leads. Refused: a grouping by contractor (/by), and what a
// Tally refuses. Source: at each figure, Summary and Model [calc].
func CompareGroups(jobs []Job, period Period, by By, names map[domain.UUID]string) (Grouping, error) {
	if by == ByContractor {
		return Grouping{}, stat.Refuse(stat.OutOfRange, "/by", "", "contractors are compared by Compare")
	}
	t, err := take(inOrder(jobs), period, by)
	if err != nil {
		return Grouping{}, err
	}
	return t.Grouping(names)
}

// take tallies a stream of jobs whose ids ascend: repeats are then neighbors.
func take(jobs iter.Seq2[Job, error], period Period, by By) (*Tally, error) {
	t, err := NewTally(period, by)
	if err != nil {
		return nil, err
	}
	n := 0
	for j, err := range jobs {
		if err != nil {
			return nil, err
		}
		if t.started && j.ID.Compare(t.last.ID) < 0 {
			return nil, stat.Refuse(stat.NotSorted, "/jobs/"+strconv.Itoa(n), "order the jobs by id", "job %s comes after %s", j.ID, t.last.ID)
		}
		if err := t.Add(j); err != nil {
			return nil, err
		}
		n++
	}
	return t, nil
}

// inOrder yields jobs by ascending id, from a copy if they are not so already,
// and each that repeats unchanged once.
func inOrder(jobs []Job) iter.Seq2[Job, error] {
	byID := func(a, b Job) int { return a.ID.Compare(b.ID) }
	if !slices.IsSortedFunc(jobs, byID) {
		jobs = slices.Clone(jobs)
		slices.SortStableFunc(jobs, byID)
	}
	return func(yield func(Job, error) bool) {
		for i := range jobs {
			if i > 0 && jobs[i].same(&jobs[i-1]) {
				continue
			}
			if !yield(jobs[i], nil) {
				return
			}
		}
	}
}
