package performance

import "ductledger/domain/stat"

// tables keep what one answer has looked up: many groups have as many jobs as
// another, and one quantile takes longer than the rest of a line.
type tables struct {
	students map[int64]float64 // by degrees of freedom
	medians  map[int64]medianRank
}

// A medianRank is where the interval of a median of n values begins, from 1,
// and its true coverage; rank 0 where there is none.
type medianRank struct {
	rank     int64
	coverage float64
}

func newTables() *tables {
	return &tables{students: map[int64]float64{}, medians: map[int64]medianRank{}}
}

// t is Student's quantile at Level.
func (t *tables) t(df int64) (float64, error) {
	if q, ok := t.students[df]; ok {
		return q, nil
	}
	q, err := stat.StudentTQuantile(1-(1-Level)/2, float64(df))
	if err == nil {
		t.students[df] = q
	}
	return q, err
}

func (t *tables) median(n int64) medianRank {
	m, ok := t.medians[n]
	if !ok {
		if rank, coverage, err := stat.MedianRank(int(n), Level); err == nil {
			m = medianRank{int64(rank), coverage}
		}
		t.medians[n] = m
	}
	return m
}
