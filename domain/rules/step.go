package rules

import (
	"slices"

	"ductledger/domain"
	"ductledger/domain/leakage"
)

// JobSteps are the steps of a job's leakage from one reading to the next, by
// kind of repair, with the check that they add up to before − after.
type JobSteps struct {
	Method string `json:"method"`
	leakage.RepairSteps
	MeasurementIDs []domain.UUID `json:"measurement_ids"` // the reading after each step
}

// steps finds what each kind of repair took away, where leakage was read in
// between by the method of the result. A reading's repairs are those that it
// names, else those done by then; none counts twice.
func (r *Result) steps(job *Assembled) {
	if r.ReductionCFM25 == nil {
		return
	}
	interim := job.interim(r)
	if len(interim) == 0 {
		return
	}
	s := stepper{job: job}
	before := leakage.SteppedReading{LeakageCFM25: r.before.cfm25, UncertaintyCFM25: r.before.uncertaintyCFM25()}
	between := make([]leakage.SteppedReading, len(interim))
	out := &JobSteps{Method: "repair_steps"}
	for i := range interim {
		between[i] = s.reading(&interim[i])
		out.MeasurementIDs = append(out.MeasurementIDs, interim[i].ID)
	}
	after := s.reading(r.after)
	steps, err := leakage.Steps(before, between, after)
	if err != nil {
		r.StepsReason = refusalCode(err) + ": " + refusalDetail(err)
		return
	}
	out.RepairSteps, out.MeasurementIDs = steps, append(out.MeasurementIDs, r.after.ID)
	r.Steps = out
}

func (t *taken) uncertaintyCFM25() float64 { return t.cfm25 * t.uncertainty.Relative() }

// interim are the readings between the two of the result, by its method, in
// the order of time.
func (a *Assembled) interim(r *Result) (list []taken) {
	for _, m := range a.Measurements {
		if m.Record.Stage != domain.Interim || m.Record.Method != r.Method ||
			!m.Record.TakenAt.After(r.before.Record.TakenAt) || !m.Record.TakenAt.Before(r.after.Record.TakenAt) {
			continue
		}
		if t, err := a.test(m, r.limits); err == nil {
			list = append(list, t)
		}
	}
	slices.SortStableFunc(list, func(x, y taken) int { return x.Record.TakenAt.Compare(y.Record.TakenAt) })
	return list
}

// stepper hands out each repair once.
type stepper struct {
	job  *Assembled
	told []domain.UUID
}

// reading is one test with the kinds of repair since the one before it.
func (s *stepper) reading(t *taken) leakage.SteppedReading {
	out := leakage.SteppedReading{LeakageCFM25: t.cfm25, UncertaintyCFM25: t.uncertaintyCFM25()}
	for _, r := range s.job.Repairs {
		since := !r.Record.DoneAt.After(t.Record.TakenAt)
		if named := t.Record.AfterRepairIDs; len(named) > 0 {
			since = slices.Contains(named, r.ID)
		}
		if !since || slices.Contains(s.told, r.ID) {
			continue
		}
		s.told = append(s.told, r.ID)
		if kind := string(r.Record.Repair); !slices.Contains(out.RepairKinds, kind) {
			out.RepairKinds = append(out.RepairKinds, kind)
		}
	}
	slices.Sort(out.RepairKinds)
	return out
}
