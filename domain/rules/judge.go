package rules

import (
	"cmp"
	"slices"

	"ductledger/domain"
)

// Judge says what the rules of a program make of a job. It reads nothing
// but its arguments: the same job and set give the same verdict, byte for
// byte, on a server and under a home.
func Judge(set Set, job *Assembled) Verdict {
	_, v := computeAndJudge(set, job)
	return v
}

// ComputeAndJudge is Compute and Judge at the price of one.
func ComputeAndJudge(set Set, job *Assembled) (Result, Verdict) { return computeAndJudge(set, job) }

func computeAndJudge(set Set, job *Assembled) (Result, Verdict) {
	result := Compute(set, job)
	c := check{job: job, set: &set, result: &result, tallies: make([]RuleOutcomes, len(all))}
	c.wideGap = set.settings[placeOf(wideGapReinforced.Key)].limits[0]
	deemed := job.Job.Record.PayBasis == domain.Deemed
	for i, r := range all {
		c.at, c.rule = i, r
		c.tallies[i].Rule = r.Key
		s := &set.settings[i]
		if s.off {
			continue
		}
		c.limits, c.severity, c.missing = s.limits, s.severity, r.Missing
		if deemed && r.Softens {
			if c.severity == MustFix {
				c.severity = Check
			}
			if c.missing == Blocks {
				c.missing = Asks
			}
		}
		r.check(&c)
		if c.tallies[i].Outcomes == (Outcomes{}) {
			c.tallies[i].Outcomes.NotApplicable, c.tallies[i].Because = 1, slices.Clip(s.none)
		}
	}
	return result, c.verdict()
}

// verdict puts the findings into the order in which a crew works them off:
// what must be fixed first, then what leaks most, then the order of the work.
func (c *check) verdict() Verdict {
	v := Verdict{Findings: c.found, Rules: c.tallies}
	if v.Findings == nil {
		v.Findings = []Finding{}
	}
	slices.SortStableFunc(v.Findings, func(x, y Finding) int {
		return cmp.Or(
			cmp.Compare(x.Severity.rank(), y.Severity.rank()),
			cmp.Compare(toEnter(x), toEnter(y)),
			cmp.Compare(c.job.way(x), c.job.way(y)),
			cmp.Compare(placeOf(x.Rule), placeOf(y.Rule)),
			slices.CompareFunc(x.Subjects, y.Subjects, compareSubjects),
		)
	})
	v.Counts = countsOf(v.Findings)
	v.Rules = slices.DeleteFunc(v.Rules, func(t RuleOutcomes) bool { return t.Outcomes == (Outcomes{}) })
	return v
}

// toEnter is 1 for what is no more than still to be entered: it comes last.
func toEnter(f Finding) int {
	if f.Severity == Note && f.Outcome == NotRecorded {
		return 1
	}
	return 0
}

// way is the place of a finding on the crew's way: what leaks most first, and
// what is still to be entered in the order of the crawl.
func (a *Assembled) way(f Finding) float64 {
	if toEnter(f) == 1 {
		return a.crawl(f.Subjects[0])
	}
	return float64(a.wayTo(f.Subjects))
}

// crawl is the place of a record on the way of a crew that crawls through one
// section after the other from the front, ft; what belongs to none comes first.
func (a *Assembled) crawl(s domain.Subject) float64 {
	const section, unknown = 1000.0, 500.0 // ft, both longer than any home
	at := func(in domain.Section, ft *float64) float64 {
		if ft == nil {
			return section*float64(1+place(in)) + unknown
		}
		return section*float64(1+place(in)) + *ft
	}
	switch r := a.record(s).(type) {
	case *domain.Component:
		switch {
		case r.Component == domain.Trunk || r.Component == domain.TrunkEnd && r.End == domain.Front:
			return at(r.Section, new(0.0))
		case r.PositionFt == nil && (r.Component == domain.FurnaceJoint || r.Component == domain.SupplyCollar) && r.Section == a.home().FurnaceSection:
			return at(r.Section, a.home().FurnacePositionFt)
		}
		return at(r.Section, r.PositionFt)
	case *domain.Crossover:
		return at(r.FromSection, nil)
	case *domain.Opening:
		return at(r.Section, r.PositionFt)
	case *domain.Repair:
		if r.CrossoverID != nil {
			return a.crawl(domain.Subject{Kind: domain.CrossoverKind, ID: *r.CrossoverID})
		}
		if len(r.ComponentIDs) > 0 {
			return a.crawl(domain.Subject{Kind: domain.ComponentKind, ID: r.ComponentIDs[0]})
		}
	}
	return 0
}

func countsOf(findings []Finding) (n Counts) {
	for _, f := range findings {
		switch {
		case f.Outcome == NotRecorded:
			n.NotRecorded++
		case f.Severity == MustFix:
			n.MustFix++
		case f.Severity == Check:
			n.Check++
		default:
			n.Note++
		}
	}
	return n
}

func (s Severity) rank() int {
	switch s {
	case MustFix:
		return 0
	case Check:
		return 1
	}
	return 2
}

func compareSubjects(x, y domain.Subject) int {
	return cmp.Or(cmp.Compare(x.Kind.Rank(), y.Kind.Rank()), x.ID.Compare(y.ID))
}

// wayTo is the place of a finding on the crew's way, what leaks most first:
// furnace joint, crossover, trunk ends, boots, the rest.
func (a *Assembled) wayTo(subjects []domain.Subject) int {
	const furnace, crossover, ends, boots, rest = 0, 1, 2, 3, 4
	least := rest
	for _, s := range subjects {
		way := rest
		switch r := a.record(s).(type) {
		case *domain.Crossover:
			way = crossover
		case *domain.Component:
			switch r.Component {
			case domain.FurnaceJoint, domain.SupplyCollar:
				way = furnace
			case domain.TrunkEnd:
				way = ends
			case domain.Boot, domain.Riser:
				way = boots
			}
		case *domain.Repair:
			switch r.Repair {
			case domain.RepairFurnaceJoint, domain.RepairSupplyCollar:
				way = furnace
			case domain.RepairCrossover:
				way = crossover
			case domain.RepairTrunkEnd:
				way = ends
			case domain.RepairBoot, domain.RepairRiser:
				way = boots
			}
		case *domain.Opening:
			if r.Target != nil && r.Target.Kind != domain.OpeningKind {
				way = a.wayTo([]domain.Subject{*r.Target})
			}
		}
		least = min(least, way)
	}
	return least
}
