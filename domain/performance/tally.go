package performance

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"math"
	"math/bits"
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
	g := t.group(k)
	g.add(&j, t.period.Quantity, x, y)
	if j.reasonOf(t.period.Quantity) != used {
		return nil
	}
	z := j.logArea()
	g.cell(t, k.id, j.Class).add(&j, x, y, z, true)
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
		whose := key{id: k.id}
		if t.by == ByHomeClass {
			whose = key{class: k.class}
		}
		t.group(whose).cell(t, k.id, k.class).merge(c)
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

// cell is t's of the group's homes of a class, of which there are few.
func (g *group) cell(t *Tally, id domain.UUID, class string) *cell {
	for _, c := range g.cells {
		if c.class == class {
			return c.cell
		}
	}
	c := t.cell(cellKey{id, class})
	g.cells = append(g.cells, classCell{class, c})
	return c
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

// A classCell is a cell by its class, found without a map.
type classCell struct {
	class string
	cell  *cell
}

// A group is what is kept of the jobs of one contractor, class or crew lead.
type group struct {
	jobs, shared int
	leftOut      [reasonCount]int

	kept       sums // jobs that count
	questioned sums // those of them that a screen asks about
	set        sums // excluded by a person, though their readings would do

	cells []classCell
	pairs []uint64      // of kept: before in the high half, after in the low, tenths of cfm25
	homes []domain.UUID // of kept, at most leastHomes of them
	first [2][2]int64   // before and after of the first two of kept
}

// add counts a job for the figures of a quantity; x and y are the logarithms of its readings where it has them.
func (g *group) add(j *Job, of domain.Quantity, x, y int64) {
	g.jobs++
	if j.Shared {
		g.shared++
	}
	why := j.reasonOf(of)
	if why != used {
		g.leftOut[why]++
		if why == excluded && j.readingsReason(of) == used {
			g.set.add(j, x, y)
		}
		return
	}
	if g.kept.n < 2 {
		g.first[g.kept.n] = [2]int64{*j.BeforeTenths, *j.AfterTenths}
	}
	g.kept.add(j, x, y)
	if j.Questioned {
		g.questioned.add(j, x, y)
	}
	g.meet(j.HomeID)
	g.pairs = append(g.pairs, uint64(*j.BeforeTenths)<<32|uint64(*j.AfterTenths))
}

func (g *group) merge(o *group) {
	g.jobs += o.jobs
	g.shared += o.shared
	for i, n := range o.leftOut {
		g.leftOut[i] += n
	}
	for i := int64(0); i < o.kept.n && g.kept.n+i < 2; i++ {
		g.first[g.kept.n+i] = o.first[i]
	}
	g.kept.merge(&o.kept, 1)
	g.questioned.merge(&o.questioned, 1)
	g.set.merge(&o.set, 1)
	g.pairs = append(g.pairs, o.pairs...)
	for _, id := range o.homes {
		g.meet(id)
	}
}

// meet keeps the first few homes apart, to know whether there are as many.
func (g *group) meet(home domain.UUID) {
	if len(g.homes) < leastHomes && !slices.Contains(g.homes, home) {
		g.homes = append(g.homes, home)
	}
}

// sums are the exact sums over usable jobs. P and Q are the readings before
// and after in tenths, d = ln P − ln Q in steps.
type sums struct {
	n                        int64
	before, after            int64 // ΣP, ΣQ
	bb                       wide  // ΣP²
	d, dd                    wide  // Σd, Σd²
	extrapolated, belowRange int64
	beforeBelow, afterBelow  int64
	area                     areaSums
}

// areaSums are the sums over those jobs whose floor area is known.
type areaSums struct {
	n             int64
	before, after int64 // tenths of cfm25
	hundredths    int64 // of ft²
}

// add takes a job with both readings above 0, x and y their logarithms.
func (s *sums) add(j *Job, x, y int64) {
	p, q, d := *j.BeforeTenths, *j.AfterTenths, x-y
	one := sums{n: 1, before: p, after: q,
		bb: product(p, p),
		d:  wideOf(d), dd: product(d, d)}
	if j.Extrapolated {
		one.extrapolated = 1
	}
	if j.BeforeBelowRange {
		one.beforeBelow = 1
	}
	if j.AfterBelowRange {
		one.afterBelow = 1
	}
	if j.BeforeBelowRange || j.AfterBelowRange {
		one.belowRange = 1
	}
	if j.AreaFt2 != nil {
		one.area = areaSums{1, p, q, int64(math.RoundToEven(*j.AreaFt2 * 100))}
	}
	s.merge(&one, 1)
}

// merge adds o, or with sign −1 takes away what is part of s.
func (s *sums) merge(o *sums, sign int64) {
	s.n += sign * o.n
	s.before += sign * o.before
	s.after += sign * o.after
	for _, w := range [...]struct {
		to   *wide
		from wide
	}{{&s.bb, o.bb}, {&s.d, o.d}, {&s.dd, o.dd}} {
		if sign > 0 {
			w.to.add(w.from)
		} else {
			w.to.sub(w.from)
		}
	}
	s.extrapolated += sign * o.extrapolated
	s.belowRange += sign * o.belowRange
	s.beforeBelow += sign * o.beforeBelow
	s.afterBelow += sign * o.afterBelow
	s.area.n += sign * o.area.n
	s.area.before += sign * o.area.before
	s.area.after += sign * o.area.after
	s.area.hundredths += sign * o.area.hundredths
}

// befores and afters are the readings of kept in order, for the medians; the
// first needs the pairs to be sorted.
func (g *group) befores() order {
	o := make(order, len(g.pairs))
	for i, pair := range g.pairs {
		o[i] = int32(pair >> 32)
	}
	return o
}

func (g *group) afters() order {
	pairs, o := slices.Clone(g.pairs), make(order, len(g.pairs))
	sortFrom(pairs, 4)
	for i, pair := range pairs {
		o[i] = int32(uint32(pair))
	}
	return o
}

// A digest tells whether two answers rest on the same jobs: the sum modulo
// 2^256 of the SHA-256 of every job counted in the period, so neither order
// nor partition matters. It finds a changed row; proof against forgery is the
// ledger's chain, not this.
type digest [4]uint64

// A job is written in as few bytes as tell it: one block less for SHA-256 is a third
// of the time that the sum takes.
func (d *digest) add(j *Job) {
	b := make([]byte, 0, 128)
	for _, id := range [...][16]byte{j.ID, j.HomeID, j.ContractorID, j.CrewLeadID} {
		b = append(b, id[:]...)
	}
	facts := uint16(0)
	for i, fact := range [...]bool{j.BeforeBelowRange, j.AfterBelowRange, j.Extrapolated, j.Excluded, j.Questioned, j.Shared, j.Undecided,
		j.BeforeTenths != nil, j.AfterTenths != nil, j.AreaFt2 != nil, j.PayBasis == Deemed} {
		if fact {
			facts |= 1 << i
		}
	}
	b = binary.BigEndian.AppendUint16(b, facts)
	for _, tenths := range [...]*int64{j.BeforeTenths, j.AfterTenths} {
		if tenths != nil {
			b = binary.BigEndian.AppendUint32(b, uint32(*tenths)) // at most MaxTenths; below 0 as its complement
		}
	}
	if j.AreaFt2 != nil {
		b = binary.BigEndian.AppendUint64(b, math.Float64bits(*j.AreaFt2))
	}
	b = binary.BigEndian.AppendUint64(b, j.Together)
	b = binary.BigEndian.AppendUint64(b, uint64(j.AcceptedAt.Unix()))
	b = binary.BigEndian.AppendUint32(b, uint32(j.AcceptedAt.Nanosecond()))
	for _, text := range [...]string{j.Class, string(j.Quantity)} {
		b = append(append(b, text...), 0)
	}
	sum := sha256.Sum256(b)
	var one digest
	for i := range one {
		one[i] = binary.BigEndian.Uint64(sum[8*i:])
	}
	d.merge(one)
}

func (d *digest) merge(o digest) {
	carry := uint64(0)
	for i := len(d) - 1; i >= 0; i-- {
		d[i], carry = bits.Add64(d[i], o[i], carry)
	}
}

// String is 64 hexadecimal digits; zeros where no job was counted.
func (d digest) String() string {
	b := make([]byte, 0, 32)
	for _, v := range d {
		b = binary.BigEndian.AppendUint64(b, v)
	}
	return hex.EncodeToString(b)
}
