package api

import (
	"context"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/domain/performance"
	performancedb "ductledger/storage/performance"
)

// A figuresHead says of which jobs, at which position and by which formulas an
// answer speaks. Days are as they were asked.
type figuresHead struct {
	// The first day.
	From domain.Date `json:"from"`
	// The day after the last.
	Before domain.Date `json:"before"`
	// When the position was recorded.
	AsOfAt string `json:"as_of_at"`
	// The place in the program's one order of accepted versions.
	Position      int64  `json:"position"`
	MethodVersion string `json:"method_version"`
	// Of the jobs of the period: equal for equal jobs.
	InputDigest string `json:"input_digest"`
	// Of which leakage the figures are; jobs by which the other was read are left out of them.
	Quantity domain.Quantity `json:"quantity"`
	// Of the period before, where it was asked whether somebody stood outside the limits then too.
	PreviousInputDigest string `json:"previous_input_digest,omitzero"`
	// The first day of a period in which there may be enough homes, where figures are held back since they rest on fewer than five.
	WiderFrom domain.Date `json:"wider_from,omitzero"`
}

// Contractors (or, with another `by`, groups) and the program over a period.
type performanceAnswer struct {
	figuresHead
	By            performance.By             `json:"by,omitzero"`
	Program       performance.Summary        `json:"program"`
	Model         *performance.Model         `json:"model,omitzero"`
	Contractors   []performance.Contractor   `json:"contractors,omitzero"`
	Groups        []performance.Group        `json:"groups,omitzero"`
	RepairEffects []performance.RepairEffect `json:"repair_effects,omitzero"`
	// What stood when the period was published.
	Published []publicationRef `json:"published,omitzero"`
}

// performance answers the figures of a period: by contractor, or in groups.
// Contractors and the funder read the program's without names.
func (s *Server) performance(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	by := performance.By(r.Query.Get("by"))
	if by == "" {
		by = performance.ByContractor
	}
	named := !caller.Scoped() && caller.Role != domain.Funder
	if by == performance.ByCrewLead && !named {
		return frame.Answer{}, domain.Errorf(domain.Forbidden, "figures of crew leads are for coaching inside the agency; the role %s may not read them", caller.Role)
	}
	a := performanceAnswer{}
	err := s.populate(ctx, caller, r, func(p *performancedb.Population) (err error) {
		if a, err = figuresBy(p, by, headOf(r, p), named); err == nil && !named {
			a.outside(p)
		}
		return err
	})
	return frame.Answer{Body: a}, err
}

// outside holds back what rests on too few homes, and offers a wider period.
func (a *performanceAnswer) outside(p *performancedb.Population) {
	program, groups := a.Program.Outside(), performance.OutsideGroups(a.Groups)
	if !program || !groups {
		a.widen(p)
	}
}

func (h *figuresHead) widen(p *performancedb.Population) {
	h.WiderFrom = domain.DateOf(periodBefore(p.Period).From, p.Zone)
}

// populate runs use on the period and the position that the query names.
func (s *Server) populate(ctx context.Context, caller domain.Caller, r *frame.Request, use func(*performancedb.Population) error) error {
	return performancedb.Read(ctx, s.db, caller.Program, domain.Date(r.Query.Get("from")), domain.Date(r.Query.Get("before")), r.Position(), func(p *performancedb.Population) error {
		if quantity := r.Query.Get("quantity"); quantity != "" {
			p.Period.Quantity = domain.Quantity(quantity)
		}
		return use(p)
	})
}

func headOf(r *frame.Request, p *performancedb.Population) figuresHead {
	return headAt(domain.Date(r.Query.Get("from")), domain.Date(r.Query.Get("before")), p)
}

func headAt(from, before domain.Date, p *performancedb.Population) figuresHead {
	return figuresHead{From: from, Before: before, AsOfAt: ledger.Stamp(p.AsOfAt), Position: p.Position, MethodVersion: performance.MethodVersion, Quantity: p.Period.Quantity}
}

// figuresBy computes the answer; named lets contractors stand in it by name.
func figuresBy(p *performancedb.Population, by performance.By, head figuresHead, named bool) (a performanceAnswer, err error) {
	a.figuresHead = head
	if by != performance.ByContractor {
		a.By = by
	}
	if named && by == performance.ByContractor {
		if a.Published, err = publishedRefs(p); err != nil {
			return a, err
		}
	}
	switch by {
	case performance.ByRepairType:
		var steps performancedb.RepairSteps
		if a.RepairEffects, err = performance.RepairEffects(p.RepairSteps(&steps)); err != nil {
			return a, frame.Refused(err)
		}
		fallthrough // the program's figures stand beside
	case performance.ByContractor:
		c, err := compare(p, whose{})
		if err != nil {
			return a, err
		}
		a.InputDigest, a.PreviousInputDigest, a.Program = c.InputDigest, c.previous, c.Program
		if named && by == performance.ByContractor {
			a.Model, a.Contractors = &c.Model, c.Contractors
		}
		return a, nil
	}
	return a, a.group(p, by)
}

// group fills in the figures of classes of home or of crew leads.
func (a *performanceAnswer) group(p *performancedb.Population, by performance.By) error {
	var names map[domain.UUID]string
	if by == performance.ByCrewLead {
		var err error
		if names, err = p.CrewNames(); err != nil {
			return err
		}
	}
	t, err := tally(p, p.Period, by, whose{})
	if err != nil {
		return err
	}
	g, err := t.Grouping(names)
	if err != nil {
		return frame.Refused(err)
	}
	a.InputDigest, a.Program, a.Model, a.Groups = g.InputDigest, g.Program, g.Model, g.Groups
	return nil
}

// compared is a comparison with the period before brought in where somebody's
// standing depends on it.
type compared struct {
	performance.Comparison
	tally    *performance.Tally
	previous string // input digest of the period before; empty when it was not asked
}

// whose are the contractors whose months are kept.
type whose struct {
	all bool
	one domain.UUID
}

// compare reads the jobs of the period once.
func compare(p *performancedb.Population, months whose) (c compared, err error) {
	if c.tally, err = tally(p, p.Period, performance.ByContractor, months); err != nil {
		return c, err
	}
	if c.Comparison, err = c.tally.Comparison(p.Names); err != nil {
		return c, frame.Refused(err)
	}
	if !undecided(&c.Comparison) {
		return c, nil
	}
	t, err := tally(p, periodBefore(p.Period), performance.ByContractor, whose{})
	if err != nil {
		return c, err
	}
	before, err := t.Comparison(p.Names)
	if err != nil {
		return c, frame.Refused(err)
	}
	c.Confirm(&before)
	c.previous = before.InputDigest
	return c, nil
}

func tally(p *performancedb.Population, period performance.Period, by performance.By, months whose) (*performance.Tally, error) {
	t, err := performance.NewTally(period, by)
	if err != nil {
		return nil, frame.Refused(err)
	}
	if months != (whose{}) {
		t.Follow(months.one, func(at time.Time) string { return string(domain.MonthOf(at, p.Zone)) })
	}
	for j, err := range p.Jobs(period) {
		if err != nil {
			return nil, err
		}
		if err := t.Add(j); err != nil {
			return nil, frame.Refused(err)
		}
	}
	return t, nil
}

// undecided tells whether somebody stands outside the outer limit and is not
// up for review yet: the period before decides.
func undecided(c *performance.Comparison) bool {
	for i := range c.Contractors {
		if s := c.Contractors[i].Adjusted.Standing; s != nil && s.Outer && !s.Review {
			return true
		}
	}
	return false
}

// periodBefore ends where the period begins and is as long: in months where
// the period is one of whole months, else in days.
func periodBefore(p performance.Period) performance.Period {
	from, before := p.From, p.Before
	if from.Day() == 1 && before.Day() == 1 {
		months := 12*(before.Year()-from.Year()) + int(before.Month()-from.Month())
		return performance.Period{From: from.AddDate(0, -months, 0), Before: from, Quantity: p.Quantity}
	}
	const day = 24 * time.Hour
	days := int(before.Sub(from).Round(day) / day) // a day of a change of the clocks has 23 or 25 hours
	return performance.Period{From: from.AddDate(0, 0, -days), Before: from, Quantity: p.Quantity}
}

type performanceQuery struct {
	figuresQuery
	// What the groups are.
	By string `json:"by,omitzero" validate:"omitempty,oneof=contractor crew_lead home_class repair_type" default:"contractor"`
}

// performanceOperations are what the contract says of the operations of this file.
func performanceOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"getPerformance": {
			Tag: "Performance", Summary: "Contractors and program over a period",
			Description: "Counts the jobs first accepted in the period, as the month does. Contractor and funder get the program's figures " +
				"without names; crew leads are for staff only. With `position`, what stood then is asked again: the same request " +
				"at one position gives the same bytes for ever. Lists are alphabetical; there are no ranks.",
			Query: performanceQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The figures.", Body: performanceAnswer{}},
			},
		},
	}
}
