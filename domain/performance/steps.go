package performance

import (
	"cmp"
	"math"
	"slices"
	"time"

	"ductledger/domain"
)

// A StageReading is one reading of a job's leakage, with the repairs that
// were made by then.
type StageReading struct {
	ID         domain.UUID
	Method     string
	TakenAt    time.Time
	Tenths     int64   // tenths of cfm25
	PressurePa float64 // duct pressure of a single reading; 0 for a line through several
	Repairs    []domain.UUID
}

// samePressurePa is how far apart the duct pressures of two single readings
// may lie, in Pa, for their difference to be a step: leaks in parallel add at
// one pressure only. About what a gauge is held to by hand [cp].
const samePressurePa = 0.5

// Reasons why two neighboring readings make no step.
const (
	SeveralKinds   = "several_kinds"   // repairs of several kinds lie between them
	NoRepair       = "no_repair"       // none does
	NotInOrder     = "not_in_order"    // the later one knows fewer repairs
	PressuresDrift = "pressures_drift" // they were taken at different duct pressures
)

// StepsOf pairs the readings of one method in the order of their times and
// gives a step for each pair between which repairs of one kind only were made;
// for each other pair it gives the reason. kinds names the kind of each repair.
// Readings of other methods than the first are not the job's result and are
// passed over. Tenths of cfm25. Nothing is refused.
// Source: parallel leaks add at one pressure [calc].
func StepsOf(job domain.UUID, readings []StageReading, kinds map[domain.UUID]string) (steps []Step, reasons []string) {
	sorted := slices.Clone(readings)
	slices.SortFunc(sorted, func(a, b StageReading) int {
		return cmp.Or(a.TakenAt.Compare(b.TakenAt), a.ID.Compare(b.ID))
	})
	if len(sorted) > 0 {
		method := sorted[0].Method
		sorted = slices.DeleteFunc(sorted, func(r StageReading) bool { return r.Method != method })
	}
	for i := 1; i < len(sorted); i++ {
		a, b := &sorted[i-1], &sorted[i]
		kind, reason := between(a, b, kinds)
		if reason == "" && math.Abs(a.PressurePa-b.PressurePa) > samePressurePa {
			reason = PressuresDrift
		}
		if reason != "" {
			reasons = append(reasons, reason)
			continue
		}
		steps = append(steps, Step{JobID: job, RepairType: kind, Basis: BasisInterim, BeforeTenths: a.Tenths, AfterTenths: b.Tenths})
	}
	return steps, reasons
}

// between is the one kind of repair that b knows beyond a.
func between(a, b *StageReading, kinds map[domain.UUID]string) (kind, reason string) {
	for _, id := range a.Repairs {
		if !slices.Contains(b.Repairs, id) {
			return "", NotInOrder
		}
	}
	for _, id := range b.Repairs {
		switch {
		case slices.Contains(a.Repairs, id):
		case kind == "":
			kind = kinds[id]
		case kind != kinds[id]:
			return "", SeveralKinds
		}
	}
	if kind == "" {
		return "", NoRepair
	}
	return kind, ""
}
