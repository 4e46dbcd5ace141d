package storage

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/performance"
	"ductledger/domain/rules"

	"github.com/go-json-experiment/json"
)

// FrozenSteps is what an accepted job tells about its kinds of repair.
type FrozenSteps struct {
	Kinds   []string     `json:"kinds,omitzero"` // of all its repairs, alphabetical
	Steps   []FrozenStep `json:"steps,omitzero"`
	LeftOut []string     `json:"left_out,omitzero"` // one reason for each reading that decides nothing, and each pair that makes no step
	// Repeats are tests that were done again, set up anew, of ducts that nobody worked on in between.
	Repeats []FrozenRepeat `json:"repeats,omitzero"`
}

type FrozenRepeat struct {
	FirstTenths    int64 `json:"first_tenths"` // of cfm25
	AgainTenths    int64 `json:"again_tenths"`
	SameInstrument bool  `json:"same_instrument"`
}

type FrozenStep struct {
	Kind         string `json:"kind"`
	BeforeTenths int64  `json:"before_tenths"` // of cfm25
	AfterTenths  int64  `json:"after_tenths"`
}

// forStatistics adds what statistics need of a job beside its result, from its
// records as they are accepted. Frozen with it, so that no later record moves
// a figure.
func (j *judgedJob) forStatistics(row *ResultRow) error {
	if change := j.result.Distinguishable; change != nil && j.result.ReductionCFM25 != nil {
		measurable := *change && *j.result.ReductionCFM25 > 0
		row.Measurable = &measurable
	}
	if cuts := j.verdict.Of("opening_has_target").Outcomes; cuts.NotRecorded+cuts.NotJudged == 0 && cuts != (rules.Outcomes{}) {
		strayed := int32(cuts.Broken + cuts.Waived)
		row.StrayCutCount = &strayed
	}
	steps, err := json.Marshal(j.steps())
	if err != nil {
		return fmt.Errorf("write the steps of job %s: %w", j.jobID, err)
	}
	row.Steps = OrNull(string(steps))
	return nil
}

// questions are the screens that ask something of the job: what an inspection looks at
// sooner, and the office before it accepts.
func (j *judgedJob) questions() []string {
	asked := []string{}
	for _, q := range rules.Ask(j.assembled, j.result) {
		if !slices.Contains(asked, q.Screen) {
			asked = append(asked, q.Screen)
		}
	}
	return asked
}

// together is equal for homes that were worked on together, whose results are
// more alike than others: those of one park, else those of one crew's week.
func (j *judgedJob) together() *int64 {
	name := ""
	if home := j.assembled.Home.Record; home != nil && strings.TrimSpace(home.Park) != "" {
		name = "park/" + strings.Join(strings.Fields(strings.ToLower(home.Park)), " ")
	} else if lead := j.crewLead(); !lead.IsZero() {
		if day, err := time.Parse(time.DateOnly, string(j.day)); err == nil {
			year, week := day.ISOWeek()
			name = fmt.Sprintf("crew/%s/%d-%d", lead, year, week)
		}
	}
	if name == "" {
		return nil
	}
	sum := sha256.Sum256([]byte(name))
	key := int64(binary.BigEndian.Uint64(sum[:]))
	return &key
}

// leads are who led the work visits, in the order of the days.
func (j *judgedJob) leads() []domain.UUID {
	visits := slices.Clone(j.assembled.Visits)
	slices.SortStableFunc(visits, func(a, b rules.Of[domain.Visit]) int {
		return strings.Compare(string(a.Record.VisitedOn), string(b.Record.VisitedOn))
	})
	var leads []domain.UUID
	for _, v := range visits {
		if v.Record.LeadID != nil && v.Record.CallBackID == nil {
			leads = append(leads, *v.Record.LeadID)
		}
	}
	return leads
}

// steps pairs the readings of the job with the repairs between them.
func (j *judgedJob) steps() (out FrozenSteps) {
	a := j.assembled
	kinds := make(map[domain.UUID]string, len(a.Repairs))
	all := make([]domain.UUID, 0, len(a.Repairs))
	for _, r := range a.Repairs {
		kind := string(r.Record.Repair)
		kinds[r.ID], all = kind, append(all, r.ID)
		if !slices.Contains(out.Kinds, kind) {
			out.Kinds = append(out.Kinds, kind)
		}
	}
	slices.Sort(out.Kinds)
	var readings []performance.StageReading
	for _, m := range a.Measurements {
		if m.Record.Method != j.result.Method || m.Record.Stage == domain.InspectionStage || beside(a, m) {
			continue
		}
		tenths, decides, known := j.limits.Leakage(a, m)
		if known && !decides {
			out.LeftOut = append(out.LeftOut, undecided)
		}
		if !known || !decides {
			continue
		}
		r := performance.StageReading{ID: m.ID, Method: string(m.Record.Method), TakenAt: m.Record.TakenAt, Tenths: tenths}
		if lines := m.Record.Readings; len(lines) == 1 && lines[0].PressurePa != nil {
			r.PressurePa = *lines[0].PressurePa
		}
		switch m.Record.Stage {
		case domain.After:
			r.Repairs = all
		case domain.Interim:
			r.Repairs = repairsBy(a, m.Record)
		}
		readings = append(readings, r)
	}
	steps, reasons := performance.StepsOf(j.jobID, readings, kinds)
	for _, s := range steps {
		out.Steps = append(out.Steps, FrozenStep{s.RepairType, s.BeforeTenths, s.AfterTenths})
	}
	out.LeftOut, out.Repeats = append(out.LeftOut, reasons...), j.repeats()
	return out
}

// undecided is why a reading makes no step: it decides nothing.
const undecided = string(leakage.Undecided)

// beside tells which of two tests of the same ducts is no step on the way from the
// first reading before to the last after.
func beside(a *rules.Assembled, m rules.Of[domain.Measurement]) bool {
	if m.Record.Stage != domain.After {
		return m.Record.Repeats != nil
	}
	return slices.ContainsFunc(a.Measurements, func(o rules.Of[domain.Measurement]) bool {
		return o.Record.Stage == domain.After && o.Record.Repeats != nil && *o.Record.Repeats == m.ID
	})
}

// repeats are the fan tests by the result's method that the crew did again the same
// day, where both decide something.
func (j *judgedJob) repeats() (pairs []FrozenRepeat) {
	a := j.assembled
	for _, again := range a.Measurements {
		if again.Record.Repeats == nil || again.Record.Method != j.result.Method || !again.Record.IsFan() || again.Record.Stage == domain.InspectionStage {
			continue
		}
		i := slices.IndexFunc(a.Measurements, func(m rules.Of[domain.Measurement]) bool { return m.ID == *again.Record.Repeats })
		if i < 0 || !doneAgain(a, a.Measurements[i].Record, again.Record) {
			continue
		}
		first, decides, known := j.limits.Leakage(a, a.Measurements[i])
		second, decidesToo, knownToo := j.limits.Leakage(a, again)
		if known && knownToo && decides && decidesToo && first > 0 && second > 0 {
			pairs = append(pairs, FrozenRepeat{first, second, a.Measurements[i].Record.InstrumentID == again.Record.InstrumentID})
		}
	}
	return pairs
}

// doneAgain tells whether two tests are of the same ducts, on one day of the
// device's clock, both within what the instrument reads.
func doneAgain(a *rules.Assembled, first, again *domain.Measurement) bool {
	day := func(m *domain.Measurement) string { return m.TakenAt.Format(time.DateOnly) }
	below := func(m *domain.Measurement) bool { return m.BelowRange != nil && *m.BelowRange }
	return first.Method == again.Method && first.Stage == again.Stage && first.TakenAt.Before(again.TakenAt) && day(first) == day(again) &&
		!below(first) && !below(again) && !slices.ContainsFunc(a.Repairs, func(r rules.Of[domain.Repair]) bool {
		return !r.Record.DoneAt.Before(first.TakenAt) && !r.Record.DoneAt.After(again.TakenAt)
	})
}

// repairsBy are the repairs made before an interim reading: those it names,
// else those done by its time.
func repairsBy(a *rules.Assembled, m *domain.Measurement) []domain.UUID {
	if len(m.AfterRepairIDs) > 0 {
		return m.AfterRepairIDs
	}
	var ids []domain.UUID
	for _, r := range a.Repairs {
		if !r.Record.DoneAt.After(m.TakenAt) {
			ids = append(ids, r.ID)
		}
	}
	return ids
}
