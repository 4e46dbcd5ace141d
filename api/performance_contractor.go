package api

import (
	"bytes"
	"context"
	"fmt"
	"mime"
	"net/http"
	"slices"
	"strings"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/performance"
	performancedb "ductledger/storage/performance"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

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
		if err := a.follow(c, published); err != nil || !caller.Scoped() {
			return err
		}
		a.outside(p, c)
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
		c, err := compare(p, whose{one: id})
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

// explainPerformance answers the jobs in and out of a contractor's index, what
// was expected of each home, and the published numbers; as a spreadsheet that
// recomputes it where text/csv is asked for.
func (s *Server) explainPerformance(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var a frame.Answer
	err := s.ofContractor(ctx, caller, r, func(p *performancedb.Population, c *compared, at int) error {
		id := c.Contractors[at].ContractorID
		x, err := performance.Explain(p.JobsOf(id), &c.Comparison, id)
		if err != nil {
			return frame.Refused(err)
		}
		if caller.Scoped() {
			x.Adjusted.Outside(x.Model.Pool)
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
		a.Body = explanationAnswer{head, x.ContractorID, x.Name, x.Model, x.Adjusted, x.JobsIn, x.JobsOut, x.ChanceLow, x.ChanceHigh, x.Recomputed}
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
			Query: figuresQuery{},
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
