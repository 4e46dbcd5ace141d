package world

import (
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
)

// Options of a world.
type Options struct {
	Seed        uint64
	Jobs        int
	Months      int // the running month and those before it
	Contractors int
	Now         time.Time      // the moment at which it is made; nothing lies after it
	Zone        *time.Location // of the program
	Fixtures    bool           // with the fixed ids
}

// World is one program's invented history.
type World struct {
	Start time.Time    // midnight of the first day
	Days  []time.Time  // midnights of all days, the last one before today
	Setup []rules.Item // what stands in no job, parents first
	Crews []*Crew
	Plans []*Plan // in the order in which they are assigned

	options Options
	days    int
}

// Plan is one job: where, by whom, when, and what goes wrong.
type Plan struct {
	Crew       *Crew
	HomeID     domain.UUID
	JobID      domain.UUID
	Home       *domain.Home
	Job        *domain.Job // as it is assigned
	Assigned   int         // day
	Worked     int         // day; past the last day: still to be done
	Reviewed   int         // day
	Deferred   bool        // the crew came and could not work
	Fault      Fault
	layout     layout
	seed       uint64
	number     uint64
	worked     time.Time // midnight of Worked
	fixedParts bool
}

// Times of a day.
const (
	Evening = 18*time.Hour + 30*time.Minute // the crews are back, and have a signal
	Morning = 7 * time.Hour
)

// openOfFixed is how many jobs the fixed contractor has still to do.
const openOfFixed = 4

// New invents a world.
func New(o Options) *World {
	now := o.Now.In(o.Zone)
	first := time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, o.Zone).AddDate(0, -(o.Months - 1), 0)
	w := &World{Start: first, options: o}
	today := time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, o.Zone)
	for day := first; day.Before(today); day = day.AddDate(0, 0, 1) {
		w.Days = append(w.Days, day)
	}
	w.days = len(w.Days)
	w.crews()
	for n := range o.Jobs {
		w.Plans = append(w.Plans, w.plan(n))
	}
	if o.Fixtures {
		w.fixtures()
	}
	slices.SortStableFunc(w.Plans, func(a, b *Plan) int { return a.Assigned - b.Assigned })
	return w
}

// workday moves a day on to one on which crews work.
func (w *World) workday(day int) int {
	for {
		if weekday := w.day(day).Weekday(); weekday != time.Saturday && weekday != time.Sunday {
			return day
		}
		day++
	}
}

// plan draws the n-th job. The jobs are spread evenly over the days.
func (w *World) plan(n int) *Plan {
	d := newDice(w.options.Seed, uint64(n))
	crew := w.Crews[n%len(w.Crews)]
	p := &Plan{Crew: crew, seed: w.options.Seed, number: uint64(n)}
	p.Assigned = w.workday(n * w.days / w.options.Jobs)
	p.Worked = w.workday(p.Assigned + d.between(1, 8))
	p.Reviewed = w.workday(p.Worked + d.between(1, 6))
	p.layout = drawHome(d)
	p.Home = p.layout.home
	at := w.day(p.Assigned).Add(Morning)
	p.HomeID, p.JobID = d.id(at), d.id(at)
	p.Job = &domain.Job{HomeID: p.HomeID, ContractorID: crew.Contractor, PayBasis: domain.Measured, State: domain.Assigned,
		FundSource: pick(d, "state_fund", "state_fund", "utility_fund"), DueOn: w.on(p.Assigned + 30), Priority: pick(d, "normal", "normal", "normal", "high", "low")}
	if d.chance(0.25) {
		p.Job.PayBasis = domain.Deemed
	}
	p.Deferred = d.chance(0.03)
	p.Fault = drawFault(d, p)
	if w.options.Fixtures && n%len(w.Crews) == 0 && n/len(w.Crews) >= (w.options.Jobs-1)/len(w.Crews)+1-openOfFixed {
		p.Worked = w.days + 1 // the fixed contractor's last ones are still to be done
	}
	p.worked = w.day(p.Worked)
	return p
}

// fixtures are the records that the examples name: a home without a job, and
// a job that its crew has begun.
func (w *World) fixtures() {
	d := newDice(w.options.Seed, 1<<40)
	spare := w.double(d)
	w.add(fixed(FixedSpareHome), spare.home)
	crew := w.Crews[0]
	p := &Plan{Crew: crew, seed: w.options.Seed, number: 1 << 41, HomeID: fixed(FixedHome), JobID: fixed(FixedJob), layout: w.double(d), fixedParts: true}
	p.Home = p.layout.home
	p.Assigned, p.Worked, p.Reviewed = max(w.days-2, 0), max(w.days-1, 0), w.days+1
	p.worked = w.day(p.Worked)
	p.Job = &domain.Job{HomeID: p.HomeID, ContractorID: crew.Contractor, PayBasis: domain.Measured, State: domain.Assigned,
		FundSource: "state_fund", DueOn: w.on(w.days + 30), Priority: "normal"}
	w.Plans = append(w.Plans, p)
}

// double draws homes until one has two sections and an electric furnace.
func (w *World) double(d dice) layout {
	for {
		if l := drawHome(d); l.home.SectionCount == 2 && l.home.FurnaceKind == domain.ElectricFurnace {
			return l
		}
	}
}

// Begun tells the one job that is still in work when the world ends.
func (p *Plan) Begun() bool { return p.fixedParts }
