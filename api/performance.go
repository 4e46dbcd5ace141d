package api

import (
	"bytes"
	"context"
	"fmt"
	"mime"
	"net/http"
	"slices"
	"strings"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/domain/performance"
	performancedb "ductledger/storage/performance"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
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
		c, err := compare(p, keptMonths{})
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
	t, _, err := tally(p, p.Period, by, keptMonths{})
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
	jobs     []performance.Job // of the contractor whose months are kept, by id
	previous string            // input digest of the period before; empty when it was not asked
}

// keptMonths are the contractors whose months are kept.
type keptMonths struct {
	all bool
	one domain.UUID
}

// compare reads the jobs of the period once.
func compare(p *performancedb.Population, months keptMonths) (c compared, err error) {
	if c.tally, c.jobs, err = tally(p, p.Period, performance.ByContractor, months); err != nil {
		return c, err
	}
	if c.Comparison, err = c.tally.Comparison(p.Names); err != nil {
		return c, frame.Refused(err)
	}
	if !undecided(&c.Comparison) {
		return c, nil
	}
	t, _, err := tally(p, periodBefore(p.Period), performance.ByContractor, keptMonths{})
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

// tally adds the jobs up; those of the one whose months are kept are given too, by id.
func tally(p *performancedb.Population, period performance.Period, by performance.By, months keptMonths) (t *performance.Tally, own []performance.Job, err error) {
	if t, err = performance.NewTally(period, by); err != nil {
		return nil, nil, frame.Refused(err)
	}
	if months != (keptMonths{}) {
		t.Follow(months.one, func(at time.Time) string { return string(domain.MonthOf(at, p.Zone)) })
	}
	for j, err := range p.Jobs(period) {
		if err != nil {
			return nil, nil, err
		}
		if err := t.Add(j); err != nil {
			return nil, nil, frame.Refused(err)
		}
		if !months.one.IsZero() && j.ContractorID == months.one {
			own = append(own, j)
		}
	}
	slices.SortFunc(own, func(a, b performance.Job) int { return a.ID.Compare(b.ID) })
	return t, own, nil
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

// One contractor and the program over a period.
type contractorAnswer struct {
	figuresHead
	Program    performance.Summary    `json:"program"`
	Contractor performance.Contractor `json:"contractor"`
	// Pictures are of the jobs assigned in the period, the rest of those accepted in it.
	Picture        performance.Picture      `json:"picture"`
	ProgramPicture performance.Picture      `json:"program_picture"`
	Trend          []performance.TrendPoint `json:"trend"`
	// Why there is no line.
	TrendReason string                `json:"trend_reason,omitzero"`
	Published   []publishedContractor `json:"published,omitzero"`
	// What the explanation's own address answers, with `explained`.
	Explanation *explanationAnswer `json:"explanation,omitzero"`
}

// publishedContractor is what stood of a contractor when the period was
// published; the answer around it is restated.
type publishedContractor struct {
	publicationRef
	Contractor jsontext.Value `json:"contractor,omitzero" schema:"ContractorFigures"`
}

// contractorPerformance answers one contractor's figures with the program's
// beside them. A contractor reads its own.
func (s *Server) contractorPerformance(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var a contractorAnswer
	err := s.ofContractor(ctx, caller, r, func(p *performancedb.Population, c *compared, at int) (err error) {
		a.figuresHead = headOf(r, p)
		a.InputDigest, a.PreviousInputDigest = c.InputDigest, c.previous
		a.Program, a.Contractor = c.Program, c.Contractors[at]
		if err := a.paint(p); err != nil {
			return err
		}
		published, err := p.Published(true)
		if err != nil {
			return err
		}
		if err := a.follow(c, published); err != nil {
			return err
		}
		if r.Query.Get("explained") == "true" {
			x, err := explain(p, c, at, caller)
			if err != nil {
				return err
			}
			explained := explanationOf(&x, a.figuresHead)
			a.Explanation = &explained
		}
		if caller.Scoped() {
			a.outside(p, c)
		}
		return nil
	})
	return frame.Answer{Body: a}, err
}

// fewestHomes is the number of homes below which a month's point is for the
// agency only.
const fewestHomes = 5

// outside holds back what is for the agency only, and what rests on too few homes.
func (a *contractorAnswer) outside(p *performancedb.Population, c *compared) {
	own, program := a.Contractor.Outside(), a.Program.Outside()
	if !own || !program {
		a.widen(p)
	}
	a.Contractor.Adjusted.Outside(c.Model.Pool)
	all := len(a.Trend)
	a.Trend = slices.DeleteFunc(a.Trend, func(t performance.TrendPoint) bool { return t.N < fewestHomes })
	if len(a.Trend) < all {
		a.TrendReason = performance.TooFewHomes
		a.widen(p)
	}
	for i := range a.Published {
		a.Published[i].Contractor = withoutStanding(a.Published[i].Contractor)
	}
}

// withoutStanding is a published line, which staff read, without what is for the
// agency only.
func withoutStanding(line jsontext.Value) jsontext.Value {
	var whole, adjusted map[string]jsontext.Value
	if json.Unmarshal(line, &whole) != nil || json.Unmarshal(whole["adjusted"], &adjusted) != nil {
		return nil // nothing was published of it
	}
	delete(adjusted, "standing")
	delete(adjusted, "statement")
	var err error
	if whole["adjusted"], err = json.Marshal(adjusted, json.Deterministic(true)); err != nil {
		return nil
	}
	if line, err = json.Marshal(whole, json.Deterministic(true)); err != nil {
		return nil
	}
	return line
}

// ofContractor compares and finds the contractor that the address names, with
// its months.
func (s *Server) ofContractor(ctx context.Context, caller domain.Caller, r *frame.Request, use func(p *performancedb.Population, c *compared, at int) error) error {
	unknown := domain.Errorf(domain.NotFound, "there is no such contractor")
	id, err := r.ID()
	if err != nil {
		return err
	}
	if caller.Role == domain.ContractorRole && caller.Contractor != id {
		return unknown
	}
	return s.populate(ctx, caller, r, func(p *performancedb.Population) error {
		if _, known := p.Names[id]; !known {
			return unknown
		}
		c, err := compare(p, keptMonths{one: id})
		if err != nil {
			return err
		}
		for at := range c.Contractors {
			if c.Contractors[at].ContractorID == id {
				return use(p, &c, at)
			}
		}
		return unknown
	})
}

// paint adds how the contractor works, and the program.
func (a *contractorAnswer) paint(p *performancedb.Population) error {
	rules, err := p.Rules()
	if err != nil {
		return err
	}
	work, err := p.Work()
	if err != nil {
		return err
	}
	a.ProgramPicture, a.Picture, err = performance.Pictures(work, rules, a.Contractor.ContractorID)
	a.Picture.Name = a.Contractor.Name
	return frame.Refused(err)
}

// follow draws the contractor's months, and beside them what was published.
func (a *contractorAnswer) follow(c *compared, published []performancedb.Publication) (err error) {
	values := map[string]float64{}
	for _, stood := range published {
		points, err := trendsOf(&stood)
		if err != nil {
			return err
		}
		for _, point := range points[a.Contractor.ContractorID.String()] {
			values[point.Month] = point.Value // a later publication's stands
		}
		if stood.From != a.From || stood.Before != a.Before {
			continue
		}
		line := publishedContractor{publicationRef: refOf(&stood)}
		line.PublishedBy, line.PublishedByPersonID = "", domain.UUID{} // contractors read this too: the agency speaks, not a person
		if line.Contractor, err = contractorIn(&stood, a.Contractor.ContractorID); err != nil {
			return err
		}
		a.Published = append(a.Published, line)
	}
	a.Trend, a.TrendReason, err = c.trend(&a.Contractor, values)
	return err
}

// trend is a contractor's line by months of the program; without an index
// there is none, for a reason.
func (c *compared) trend(of *performance.Contractor, published map[string]float64) ([]performance.TrendPoint, string, error) {
	if of.Adjusted.Index == nil {
		return []performance.TrendPoint{}, of.Adjusted.Reason, nil
	}
	points, err := c.tally.Trend(of.ContractorID, &c.Model, &of.Adjusted, published)
	return points, "", frame.Refused(err)
}

// contractorIn finds a contractor's line in what was published.
func contractorIn(p *performancedb.Publication, id domain.UUID) (jsontext.Value, error) {
	var answer struct {
		Contractors []jsontext.Value `json:"contractors"`
	}
	if err := json.Unmarshal([]byte(p.Answer), &answer); err != nil {
		return nil, fmt.Errorf("publication %s: %w", p.ID, err)
	}
	for _, line := range answer.Contractors {
		var who struct {
			ContractorID domain.UUID `json:"contractor_id"`
		}
		if err := json.Unmarshal(line, &who); err != nil {
			return nil, fmt.Errorf("publication %s: %w", p.ID, err)
		}
		if who.ContractorID == id {
			return line, nil
		}
	}
	return nil, nil
}

// explanationAnswer is the way to recompute a contractor's index, and to
// dispute it.
type explanationAnswer struct {
	figuresHead
	ContractorID domain.UUID                `json:"contractor_id"`
	Name         string                     `json:"name"`
	Model        performance.Model          `json:"model"`
	Adjusted     performance.Adjusted       `json:"adjusted"`
	JobsIn       []performance.ExplainedJob `json:"jobs_in"`
	JobsOut      []performance.ExplainedJob `json:"jobs_out"`
	// 95 of 100 average contractors with these homes lie between.
	ChanceLow  *float64 `json:"chance_ratio_low,omitzero"`
	ChanceHigh *float64 `json:"chance_ratio_high,omitzero"`
	Recomputed *float64 `json:"recomputed_index_ratio,omitzero"`
}

func explanationOf(x *performance.Explanation, head figuresHead) explanationAnswer {
	return explanationAnswer{head, x.ContractorID, x.Name, x.Model, x.Adjusted, x.JobsIn, x.JobsOut, x.ChanceLow, x.ChanceHigh, x.Recomputed}
}

// explain is how a contractor's index came about, as the caller may read it.
func explain(p *performancedb.Population, c *compared, at int, caller domain.Caller) (performance.Explanation, error) {
	id := c.Contractors[at].ContractorID
	x, err := performance.Explain(c.jobs, &c.Comparison, id)
	if err != nil {
		return x, frame.Refused(err)
	}
	if caller.Scoped() {
		x.Adjusted.Outside(x.Model.Pool)
	}
	var jobs []domain.UUID
	lists := [][]performance.ExplainedJob{x.JobsIn, x.JobsOut}
	for _, list := range lists {
		for i := range list {
			jobs = append(jobs, list[i].JobID)
		}
	}
	numbers, err := p.Numbers(jobs)
	for _, list := range lists {
		for i := range list {
			list[i].JobNumber = numbers[list[i].JobID]
		}
	}
	return x, err
}

// explainPerformance answers the jobs in and out of a contractor's index, what
// was expected of each home, and the published numbers; as a spreadsheet that
// recomputes it where text/csv is asked for.
func (s *Server) explainPerformance(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var a frame.Answer
	err := s.ofContractor(ctx, caller, r, func(p *performancedb.Population, c *compared, at int) error {
		x, err := explain(p, c, at, caller)
		if err != nil {
			return err
		}
		if asksCSV(r) {
			var sheet bytes.Buffer
			err := x.WriteCSV(&sheet)
			a.Body = sheet.Bytes()
			a.Header = http.Header{"Content-Type": {"text/csv; charset=utf-8"}, "Content-Disposition": {`attachment; filename="explanation.csv"`}, "Vary": {"Accept"}}
			return err
		}
		head := headOf(r, p)
		head.InputDigest, head.PreviousInputDigest = c.InputDigest, c.previous
		a.Header = http.Header{"Vary": {"Accept"}}
		a.Body = explanationOf(&x, head)
		return nil
	})
	return a, err
}

// asksCSV tells whether a spreadsheet is wanted; the query goes before the header.
func asksCSV(r *frame.Request) bool {
	switch r.Query.Get("format") {
	case "csv":
		return true
	case "json":
		return false
	}
	first, _, _ := strings.Cut(r.Header.Get("Accept"), ",")
	media, _, err := mime.ParseMediaType(first)
	return err == nil && media == "text/csv"
}

// repairEffectsAnswer is what each kind of repair brings.
type repairEffectsAnswer struct {
	figuresHead
	JobsCount int `json:"jobs_count"`
	// Jobs that give a step.
	UsedCount    int                        `json:"used_count"`
	LeftOut      []performance.LeftOut      `json:"left_out"`
	PairsLeftOut []performance.LeftOut      `json:"pairs_left_out"`
	Effects      []performance.RepairEffect `json:"repair_effects"`
}

// repairEffects answers what each kind of repair brings.
func (s *Server) repairEffects(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var a repairEffectsAnswer
	err := s.populate(ctx, caller, r, func(p *performancedb.Population) (err error) {
		var steps performancedb.RepairSteps
		if a.Effects, err = performance.RepairEffects(p.RepairSteps(&steps)); err != nil {
			return frame.Refused(err)
		}
		a.figuresHead = headOf(r, p)
		a.InputDigest = steps.Digest()
		a.JobsCount, a.UsedCount, a.LeftOut, a.PairsLeftOut = steps.JobsCount, steps.UsedCount, steps.LeftOut, steps.PairsLeftOut
		return nil
	})
	return frame.Answer{Body: a}, err
}

type oneContractorQuery struct {
	figuresQuery
	// The explanation beside the figures, from one reading of the jobs.
	Explained bool `json:"explained,omitzero" default:"false"`
}

type explanationQuery struct {
	figuresQuery
	// The form of the answer; it goes before Accept.
	Format string `json:"format,omitzero" validate:"omitempty,oneof=json csv"`
}

// performanceContractorOperations are what the contract says of the operations of this file.
func performanceContractorOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"performanceOfContractor": {
			Tag: "Performance", Summary: "One contractor over a period, the program beside it",
			Description: "Reductions and index are of the jobs first accepted in the period, the picture is of those assigned in it. A " +
				"contractor reads its own.",
			Query: oneContractorQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The figures.", Body: contractorAnswer{}},
			},
		},
		"explainPerformance": {
			Tag: "Performance", Summary: "How a contractor's index came about",
			Description: "Every job in and out of the index by id, what was expected of each home, and the published numbers with which " +
				"anybody recomputes it. With `format=csv`, or `Accept: text/csv`, a spreadsheet that does so when it is opened. " +
				"It comes whole, since an index is recomputed from all of its jobs: it is as long as one contractor's jobs in the " +
				"period are many.",
			Query: explanationQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The explanation.", Body: explanationAnswer{}, Media: "application/json text/csv"},
			},
		},
		"getRepairEffects": {
			Tag: "Performance", Summary: "What each kind of repair brings",
			Description: "From readings right before and right after one kind of repair. Where a job has no such pair, its whole reduction " +
				"stands with each kind of repair in it, under names that say so.",
			Query: figuresQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The effects.", Body: repairEffectsAnswer{}},
			},
		},
	}
}
