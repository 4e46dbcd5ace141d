package agency

import (
	"context"
	"encoding/hex"
	"net/http"

	"ductledger/api/frame"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/domain/draws"
	"ductledger/domain/ledger"
	"ductledger/storage/inspections"
)

// One step of a draw: with `seed_sha256` the month's frame is published, with `seed` it is drawn from, with `as_sent_in`
// the service does both by a seed of its own, with `job_id` one job is opened by hand.
type drawBody struct {
	// The month in which the jobs were first sent in, such as 2026-10.
	Month domain.Month `json:"month,omitzero"`
	// Draws from this contractor's jobs alone.
	ContractorID domain.UUID `json:"contractor_id,omitzero"`
	// Draws the running month's jobs as they are sent in, by a seed that the service makes and tells once the month is over:
	// then the same request fills each contractor up to its share.
	AsSentIn bool `json:"as_sent_in,omitzero"`
	// Share of each contractor's jobs that is drawn at random, in percent, rounded up to a whole job; where it is absent, as of the
	// two below, what the rules say that are in force today or, of a month that is over, were on its last day.
	SharePercent *int `json:"share_percent,omitzero" validate:"omitempty,gte=5,lte=100"`
	// Jobs that are drawn by their risk on average: as many questions as the screens asked of each.
	TopUpCount *float64 `json:"top_up_count,omitzero" validate:"omitempty,gte=0,lte=10000"`
	// Share of the jobs that a crew begins which is visited unannounced during the work, in percent; only with `as_sent_in`.
	VisitPercent *int `json:"visit_percent,omitzero" validate:"omitempty,gte=0,lte=100"`
	// The SHA-256 of the seed, told before anything is drawn.
	SeedSHA256 string `json:"seed_sha256,omitzero" validate:"omitempty,sha256"`
	// The seed's bytes in hexadecimal, 16 to 64 of them.
	Seed string `json:"seed,omitzero" validate:"omitempty,min=32,max=128"`
	// A job to open by hand, outside the estimate.
	JobID domain.UUID `json:"job_id,omitzero"`
	// Why it is opened by hand, in short codes.
	ReasonCodes []string `json:"reason_codes,omitzero" validate:"omitempty,min=1,max=10,unique,dive,snake,min=2,max=60"`
	// The person who alone inspects; any inspector without.
	InspectorID domain.UUID `json:"inspector_id,omitzero"`
}

// ask reads the step; a body that is none of the three names what is missing.
func (b *drawBody) ask() (inspections.Ask, error) {
	a := inspections.Ask{Month: b.Month, ContractorID: b.ContractorID, AsSentIn: b.AsSentIn, SharePercent: b.SharePercent, TopUp: b.TopUpCount, VisitPercent: b.VisitPercent,
		SeedSHA256: b.SeedSHA256, JobID: b.JobID, ReasonCodes: b.ReasonCodes, InspectorID: b.InspectorID}
	steps := 0
	for _, given := range []bool{b.SeedSHA256 != "", b.Seed != "", b.AsSentIn, !b.JobID.IsZero()} {
		if given {
			steps++
		}
	}
	var faults []domain.Fault
	if steps != 1 {
		faults = append(faults, domain.Fault{Pointer: "", Code: "one_step", Detail: "a request is one step of a draw",
			Fix: "send exactly one of seed_sha256 (publishes the frame), seed (draws), as_sent_in (draws as jobs come) and job_id (opens one job by hand)"})
	} else if b.JobID.IsZero() && b.Month == "" {
		faults = append(faults, domain.Fault{Pointer: "/month", Code: "required", Detail: "a draw is of a month", Fix: "send the month as 2026-10"})
	}
	if b.VisitPercent != nil && !b.AsSentIn {
		faults = append(faults, domain.Fault{Pointer: "/visit_percent", Code: "not_here", Detail: "a visit during the work is drawn when the work begins", Fix: "send as_sent_in, or leave it out"})
	}
	if b.Seed != "" {
		seed, err := hex.DecodeString(b.Seed)
		if err != nil {
			faults = append(faults, domain.Fault{Pointer: "/seed", Code: "format", Detail: "the seed is not written in hexadecimal", Fix: "send 32 to 128 digits, two for each byte"})
		}
		a.Seed = seed
	}
	if len(faults) > 0 {
		return a, domain.InvalidFields(faults)
	}
	return a, nil
}

// drawInspections does one step of a draw.
func (d Desk) drawInspections(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body drawBody
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	ask, err := body.ask()
	if err != nil {
		return frame.Answer{}, err
	}
	done, err := inspections.Draw(ctx, d.DB, caller, ask)
	if err != nil {
		return frame.Answer{}, err
	}
	seen, err := d.DB.Record(ctx, caller, domain.InspectionDrawKind, done.ID)
	if err != nil {
		return frame.Answer{}, err
	}
	a := frame.Answer{Status: http.StatusOK, Header: http.Header{"Etag": {frame.ETag(seen.Entry.Version)}}, Body: d.Entry(caller, &seen.Entry)}
	switch {
	case done.Created:
		a.Status = http.StatusCreated
		a.Header.Set("Location", "/v1/inspection-draws/"+done.ID.String())
	case done.Replay:
		a.Header.Set("Idempotent-Replay", "true")
	}
	return a, nil
}

// What the inspections of drawn jobs tell of all jobs of the months that begin in the period.
type estimatesAnswer struct {
	periodHead
	// How far the draw of each month is. Only drawn ones count.
	Months []drawnMonth `json:"months"`
	// Unannounced visits during the work, of the jobs that were drawn for one. They are in no estimate.
	Visits visitCounts `json:"visits"`
	draws.FailureFigures
}

// visitCounts are counts of jobs.
type visitCounts struct {
	// That a crew began.
	BegunCount int `json:"begun_count"`
	// Of these, drawn for a visit.
	DrawnCount int `json:"drawn_count"`
	// Of these, seen at work.
	MadeCount   int `json:"made_count"`
	FailedCount int `json:"failed_count"`
	// The crew knew of the visit, or nobody said whether it did.
	AnnouncedCount int `json:"announced_or_not_said_count"`
}

type drawnMonth struct {
	Month domain.Month `json:"month"`
	// Absent: nothing is published for the month.
	DrawID domain.UUID      `json:"draw_id,omitzero"`
	State  domain.DrawState `json:"state,omitzero"`
}

// inspectionEstimates answers what the inspections of drawn jobs tell.
func (d Desk) inspectionEstimates(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	from, before := periodOf(r)
	e, err := inspections.Estimate(ctx, d.DB, caller.Program, from, before, r.Position())
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	a := estimatesAnswer{periodHead{from, before, ledger.Stamp(e.AsOfAt), e.Position, draws.MethodVersion}, []drawnMonth{}, visitCounts{e.Visits.Begun, e.Visits.Drawn, e.Visits.Made, e.Visits.Failed, e.Visits.Announced}, e.Figures}
	for _, m := range e.Months {
		a.Months = append(a.Months, drawnMonth{m.Month, m.DrawID, m.State})
	}
	return frame.Answer{Body: a}, nil
}

// A contractor's jobs drawn at random, in the order of their inspection.
type courseAnswer struct {
	periodHead
	draws.Course
}

// inspectionCourse answers what one contractor's inspections tell in their order.
func (d Desk) inspectionCourse(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	contractor, err := domain.ParseUUID(r.Path["id"])
	if err != nil {
		return frame.Answer{}, err
	}
	from, before := periodOf(r)
	c, err := inspections.ReadCourse(ctx, d.DB, caller.Program, contractor, from, before, r.Position())
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	return frame.Answer{Body: courseAnswer{periodHead{from, before, ledger.Stamp(c.AsOfAt), c.Position, draws.CourseVersion}, c.Course}}, nil
}

// inspectionsOperations are what the contract says of the operation of this file.
func inspectionsOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"drawInspections": {
			Tag: "Judgment", Summary: "Publish a frame, draw from it, or open a job by hand",
			Description: "A draw has two steps. With `seed_sha256` the month's jobs, their chances and the digest of a seed are published, as often " +
				"as the frame changes, under one digest. Once the month is over `seed` draws: the jobs that are drawn open to inspectors, and " +
				"everybody can draw again. With `as_sent_in` " +
				"jobs are drawn as they are sent in, and a share of those that a crew begins for an unannounced visit, by a seed that nobody " +
				"reads before the month is over; a drawn job opens at the position of the version that sent it in. With `job_id` and `reason_codes` one job is opened by hand, outside the estimate. The same request " +
				"again changes nothing. Contractors and crews see no draw.",
			Takes: drawBody{},
			Gives: []frame.Gives{
				{Status: 200, What: "A further version was stored or, with Idempotent-Replay, the same was there already.", Body: wire.Entry{}, Of: domain.InspectionDrawKind, Headers: []string{"ETag", "Idempotent-Replay"}},
				{Status: 201, What: "A new draw was stored.", Body: wire.Entry{}, Of: domain.InspectionDrawKind, Headers: []string{"ETag", "Location"}},
			},
			Also: []int{404, 507},
		},
		"inspectionCourseOfContractor": {
			Tag: "Judgment", Summary: "What one contractor's inspections tell in their order",
			Description: "Of the jobs drawn at random in the months that begin in the period, by the day of inspection: Wald's sequential plan, which says " +
				"when enough was seen to inspect as usual or to inspect more, and a cumulative sum against the other contractors, which watches " +
				"for a change. Both stop before a failure that the contractor may still answer, and tell nothing of fewer than five jobs. " +
				"Neither decides about a contractor: they say how far luck goes.",
			Query: periodPositionQuery{},
			Gives: []frame.Gives{{Status: 200, What: "The figures.", Body: courseAnswer{}}},
			Also:  []int{404},
		},
		"estimateInspections": {
			Tag: "Judgment", Summary: "What inspections of drawn jobs tell of all",
			Description: "Of the draws of the months that begin in the period. The program's share that fails is estimated from all drawn jobs by " +
				"their chances, a contractor's from its jobs drawn at random alone, with exact limits. Refusals, no access and jobs not " +
				"looked at yet are counted, and the answered jobs of their stratum speak for them. A failure counts against a contractor once " +
				"its right of reply is over. What a sample is too small to show is said. Jobs opened by hand are in no figure.",
			Query: periodPositionQuery{},
			Gives: []frame.Gives{{Status: 200, What: "The figures.", Body: estimatesAnswer{}}},
		},
	}
}
