package performance

import (
	"cmp"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// A Period holds the jobs that were accepted from From on and before Before. Its
// figures are of one quantity: jobs by which another was read are left out.
type Period struct {
	From     time.Time       `json:"from"`
	Before   time.Time       `json:"before"`
	Quantity domain.Quantity `json:"quantity"`
}

func (p Period) contains(t time.Time) bool { return !t.Before(p.From) && t.Before(p.Before) }

func (p Period) check() error {
	if !p.From.Before(p.Before) {
		return stat.Refuse(stat.OutOfRange, "/before", "", "the period ends at %s, not after its begin at %s",
			p.Before.Format(time.RFC3339), p.From.Format(time.RFC3339))
	}
	if p.Quantity != domain.TotalLeakage && p.Quantity != domain.OutsideLeakage {
		return stat.Refuse(stat.OutOfRange, "/quantity", "", "%q is neither %s nor %s", p.Quantity, domain.TotalLeakage, domain.OutsideLeakage)
	}
	return nil
}

// By says what jobs are grouped by; its words are those of the address.
type By string

// The groupings.
const (
	ByContractor By = "contractor"
	ByCrewLead   By = "crew_lead"
	ByHomeClass  By = "home_class"
	ByRepairType By = "repair_type" // no grouping of jobs: it has figures of its own
)

// key names one group: by id or by class.
type key struct {
	id    domain.UUID
	class string
}

func (k key) compare(o key) int {
	return cmp.Or(k.id.Compare(o.id), cmp.Compare(k.class, o.class))
}

// A Tally takes jobs one by one and keeps sums. Tallies of parts of the jobs,
// no job in two of them, add up to the Tally of the whole.
type Tally struct {
	period  Period
	by      By
	groups  map[key]*group
	cells   map[cellKey]*cell
	months  months // of whom Follow names
	last    Job    // the job before, to know it again
	started bool
	digest  digest
	tables  *tables
}

// NewTally begins an empty Tally. Refused: a period that does not end after its
// begin (/before), an unknown quantity (/quantity), an unknown by (/by). Source: sums [calc].
func NewTally(period Period, by By) (*Tally, error) {
	if err := period.check(); err != nil {
		return nil, err
	}
	if by != ByContractor && by != ByCrewLead && by != ByHomeClass {
		return nil, stat.Refuse(stat.OutOfRange, "/by", "", "%q is none of %s, %s, %s", by, ByContractor, ByCrewLead, ByHomeClass)
	}
	return &Tally{period: period, by: by, groups: map[key]*group{}, cells: map[cellKey]*cell{}, tables: newTables()}, nil
}

// Add counts one job; one outside the period is passed over. A job that is
// the same as the one before it is passed over too: rows ordered by id may
// repeat. Readings in tenths of cfm25, areas in ft².
//
// Refused: two rows of one id that differ (not_sorted, /jobs/id), an unknown pay
// basis (/pay_basis), a reading beyond MaxTenths (/leakage_cfm25), an area
// outside 1 to 1e6 ft² (/floor_area_ft2). Source: sums of whole numbers [calc].
func (t *Tally) Add(j Job) error {
	if err := j.check(); err != nil {
		return err
	}
	if t.started && t.last.ID == j.ID {
		if t.last.same(&j) {
			return nil
		}
		return stat.Refuse(stat.NotSorted, "/jobs/"+j.ID.String(), "give each job once", "job %s comes twice and differs", j.ID)
	}
	t.last, t.started = j, true
	if !t.period.contains(j.AcceptedAt) {
		return nil
	}
	t.digest.add(&j)
	k := t.keyOf(&j)
	x, y := j.logs()
	t.group(k).add(&j, t.period.Quantity, x, y)
	if j.reasonOf(t.period.Quantity) != used {
		return nil
	}
	z := j.logArea()
	if t.by != ByHomeClass {
		c := t.cell(cellKey{k.id, j.Class})
		c.add(&j, x, y, z)
		c.join(&j, x, y, z)
	}
	t.months.add(k.id, &j, x, y, z)
	return nil
}

// Merge adds the sums of another part of the jobs, tallied alike. Refused: another grouping or period (/by).
// Source: sums of whole numbers [calc].
func (t *Tally) Merge(o *Tally) error {
	if t.by != o.by || t.period.Quantity != o.period.Quantity || !t.period.From.Equal(o.period.From) || !t.period.Before.Equal(o.period.Before) {
		return stat.Refuse(stat.OutOfRange, "/by", "", "tallies of different groupings or periods do not add up")
	}
	t.digest.merge(o.digest)
	for k, g := range o.groups {
		t.group(k).merge(g)
	}
	for k, c := range o.cells {
		t.cell(k).merge(c)
	}
	t.months.merge(&o.months)
	return nil
}

func (t *Tally) keyOf(j *Job) key {
	switch t.by {
	case ByCrewLead:
		return key{id: j.CrewLeadID}
	case ByHomeClass:
		return key{class: j.Class}
	}
	return key{id: j.ContractorID}
}

func (t *Tally) group(k key) *group {
	g := t.groups[k]
	if g == nil {
		g = &group{}
		t.groups[k] = g
	}
	return g
}

func (t *Tally) cell(k cellKey) *cell {
	c := t.cells[k]
	if c == nil {
		c = &cell{}
		t.cells[k] = c
	}
	return c
}

// keys are the groups in one fixed order: by id, then by class.
func (t *Tally) keys() []key {
	ks := make([]key, 0, len(t.groups))
	for k := range t.groups {
		ks = append(ks, k)
	}
	slices.SortFunc(ks, key.compare)
	return ks
}

// whole is the group of all jobs, given keys() so that nothing depends on a
// map's order.
func (t *Tally) whole(keys []key) *group {
	all, n := &group{}, int64(0)
	for _, k := range keys {
		n += t.groups[k].kept.n
	}
	all.pairs = make([]uint64, 0, n)
	for _, k := range keys {
		all.merge(t.groups[k])
	}
	return all
}
