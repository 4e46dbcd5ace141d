package api_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/storage/storagetest"
)

type picture struct {
	AssignedCount   int `json:"assigned_count"`
	AcceptedCount   int `json:"accepted_count"`
	Deferred        []reasonCount
	SentInCount     int      `json:"sent_in_count"`
	AcceptedAtFirst shareOf  `json:"accepted_at_first_sending"`
	CallBacks       shareOf  `json:"call_backs"`
	NotMeasurable   shareOf  `json:"without_measurable_reduction"`
	MustFixPerJob   *float64 `json:"must_fix_per_job_ratio"`
	StrayHomes      int      `json:"stray_cut_homes_count"`
	Days            struct {
		N      int
		Median *float64 `json:"median_days"`
	} `json:"days_to_acceptance"`
	Inspector struct {
		N     int
		Ratio *float64
	} `json:"inspector_over_crew"`
}

type shareOf struct {
	Count, N int
	Low      *float64 `json:"ratio_low"`
	ExactLow *float64 `json:"ratio_exact_low"`
}

// The rest of a contractor's picture, from the whole way of real jobs.
func TestPictureOfAContractor(t *testing.T) {
	t.Parallel()
	a, at := serve(t)
	staff, field := a.Tokens[domain.Staff], a.Tokens[domain.Field]
	smooth := invent(a, a.World)
	smooth.sendIn(a, a.Tokens)
	a.Clock.Move(48 * time.Hour)
	must(a, staff, smooth.review(domain.Accept))

	rough := invent(a, a.World)
	rough.sendIn(a, a.Tokens)
	must(a, staff, rough.review(domain.Return))
	must(a, field, item(domain.JobKind, rough.Job, 3, rough.state(domain.SentIn)))
	a.Clock.Move(96 * time.Hour)
	must(a, staff, rough.review(domain.Accept))
	must(a, staff, item(domain.CallBackKind, storagetest.ID(), 0, domain.CallBack{JobID: rough.Job, ReportedOn: "2026-10-20", Reason: "cold room"}))

	put := invent(a, a.World)
	must(a, staff, append(slices.Clone(put.Papers), item(domain.JobKind, put.Job, 0, put.state(domain.Assigned)))...)
	must(a, staff, put.review(domain.Defer))

	at.draw(t, a.World.Program, smooth.Job)
	fan, pressure, flow := storagetest.ID(), 25.0, 133.1
	must(a, staff, item(domain.InstrumentKind, fan, 0, domain.Instrument{Instrument: domain.DuctFan, Serial: "A-1", CalibratedOn: "2026-01-01", CalibratedUntilOn: "2027-01-01"}))
	must(a, a.Tokens[domain.Inspector], item(domain.MeasurementKind, storagetest.ID(), 0, domain.Measurement{JobID: smooth.Job, Method: domain.FanTotal, Stage: domain.InspectionStage,
		InstrumentID: fan, TakenAt: a.Clock.Now(), Readings: []domain.Reading{{PressurePa: &pressure, FlowCFM: &flow}}}))

	var got struct {
		Picture        picture
		ProgramPicture picture `json:"program_picture"`
	}
	a.Do(domain.ContractorRole, "GET", "/v1/contractors/"+a.Contractor.String()+"/performance"+inOctober, nil).Want(200).Into(&got)
	for _, p := range []picture{got.Picture, got.ProgramPicture} {
		if p.AssignedCount != 3 || p.AcceptedCount != 2 || !slices.Equal(p.Deferred, []reasonCount{{"invented_reason", 1}}) || p.SentInCount != 2 {
			t.Errorf("counts: %+v", p)
		}
		if p.AcceptedAtFirst.Count != 1 || p.AcceptedAtFirst.N != 2 || p.AcceptedAtFirst.ExactLow == nil || p.CallBacks.Count != 1 || p.NotMeasurable.Count != 0 || p.NotMeasurable.N != 2 {
			t.Errorf("rates: %+v", p)
		}
		// Wilson's interval of 1 in 2 at 95 %: 0.0945 to 0.9055 [calc]
		if low := p.AcceptedAtFirst.Low; low == nil || math.Abs(*low-0.0945) > 5e-5 {
			t.Errorf("Wilson's low of 1 in 2 is %v", low)
		}
		if p.MustFixPerJob == nil || *p.MustFixPerJob != 0 || p.StrayHomes != 2 || p.Days.N != 2 || math.Abs(*p.Days.Median-3) > 1e-9 {
			t.Errorf("%+v", p)
		}
		// The crew read 121 cfm at 25.1 Pa: 121·(25/25.1)^0.6 = 120.71, published as 120.7 [calc].
		if p.Inspector.N != 1 || math.Abs(*p.Inspector.Ratio-133.1/120.7) > 1e-12 {
			t.Errorf("inspector over crew: %+v", p.Inspector)
		}
	}
}

// A job that is paid by home has no reduction figure and all the rest.
func TestDeemedJobsHaveAPictureAndNoReduction(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	in := accepted(a, a.World, a.Tokens, func(record domain.Record) {
		if job, ok := record.(*domain.Job); ok {
			job.PayBasis = domain.Deemed
		}
	})
	must(a, a.Tokens[domain.Staff], item(domain.CallBackKind, storagetest.ID(), 0, domain.CallBack{JobID: in.Job, ReportedOn: "2026-10-20", Reason: "cold room"}))
	var got struct {
		Contractor lineOfFigures
		Picture    picture
	}
	a.Do(domain.ContractorRole, "GET", "/v1/contractors/"+a.Contractor.String()+"/performance"+inOctober, nil).Want(200).Into(&got)
	if f := got.Contractor; f.JobsCount != 1 || f.UsedCount != 0 || f.Pooled.Ratio != nil || f.Geometric.Ratio != nil || !slices.Equal(f.LeftOut, []reasonCount{{"deemed", 1}}) {
		t.Errorf("figures: %+v", f)
	}
	if p := got.Picture; p.AcceptedCount != 1 || p.CallBacks.Count != 1 || p.AcceptedAtFirst.Count != 1 || p.Days.N != 1 || p.StrayHomes != 1 || p.MustFixPerJob == nil {
		t.Errorf("picture: %+v", p)
	}
}

type repairEffect struct {
	RepairType string `json:"repair_type"`
	Basis      string
	N          int
	Reduction  *float64 `json:"reduction_cfm25"`
	Reason     string
}

// A reading between the kinds of repair gives a step; a job without one only
// the whole job's, which is called so.
func TestRepairEffectsOfAPeriod(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	interim := func(cfm float64) {
		in := invent(a, a.World)
		var joint domain.UUID
		for _, i := range in.items {
			if r, ok := i.Record.(*domain.Repair); ok && r.Repair == domain.RepairFurnaceJoint {
				joint = i.ID
			}
		}
		pressure, taken := 25.0, time.Date(2026, 10, 14, 10, 46, 0, 0, time.FixedZone("", -7*3600))
		in.Work = append(in.Work, item(domain.MeasurementKind, storagetest.ID(), 0, domain.Measurement{JobID: in.Job, Method: domain.FanTotal, Stage: domain.Interim,
			InstrumentID: in.ids(domain.InstrumentKind)[0], TakenAt: taken, Readings: []domain.Reading{{PressurePa: &pressure, FlowCFM: &cfm}}, AfterRepairIDs: []domain.UUID{joint}}))
		in.sendIn(a, a.Tokens)
		must(a, a.Tokens[domain.Staff], in.review(domain.Accept))
	}
	for _, cfm := range []float64{288, 258, 268, 278, 248} { // 30, 60, 50, 40, 70 less than 318 by the joint alone
		interim(cfm)
	}
	accepted(a, a.World, a.Tokens)
	var got struct {
		JobsCount    int            `json:"jobs_count"`
		UsedCount    int            `json:"used_count"`
		PairsLeftOut []reasonCount  `json:"pairs_left_out"`
		Effects      []repairEffect `json:"repair_effects"`
	}
	a.Do(domain.Funder, "GET", "/v1/repair-effects"+inOctober, nil).Want(200).Into(&got)
	joint := slices.IndexFunc(got.Effects, func(e repairEffect) bool { return e.RepairType == "furnace_joint" && e.Basis == "interim" })
	if joint < 0 || got.Effects[joint].N != 5 || math.Abs(*got.Effects[joint].Reduction-50) > 1e-9 {
		t.Errorf("furnace joint: %+v", got.Effects)
	}
	for _, e := range got.Effects {
		if e.Basis == "whole_job" && (e.N != 1 || e.Reduction != nil || e.Reason != "fewer_than_5_homes") {
			t.Errorf("from one job: %+v", e)
		}
	}
	if got.JobsCount != 6 || got.UsedCount != 6 || !slices.Equal(got.PairsLeftOut, []reasonCount{{"several_kinds", 6}}) {
		t.Errorf("%+v", got)
	}
	if p := compared(a, domain.Staff, inOctober+"&by=repair_type"); len(p.RepairEffects) != len(got.Effects) {
		t.Errorf("by repair type: %+v", p.RepairEffects)
	}
}

// A job on which two contractors worked is the first one's, and marked.
func TestSharedJobIsTheFirstContractors(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	second, phone := secondContractor(t, a)
	staff := a.Tokens[domain.Staff]
	in := invent(a, a.World)
	must(a, staff, append(slices.Clone(in.Papers), item(domain.JobKind, in.Job, 0, in.state(domain.Assigned)))...)
	must(a, a.Tokens[domain.Field], append(slices.Clone(in.Work), item(domain.JobKind, in.Job, 1, in.state(domain.InWork)))...)
	lead := storagetest.ID()
	taken := in.state(domain.InWork)
	taken.ContractorID = second
	must(a, staff, item(domain.JobKind, in.Job, 2, taken), item(domain.CrewMemberKind, lead, 0, domain.CrewMember{ContractorID: second, Name: "Pat Invented"}))
	sent := in.state(domain.SentIn)
	sent.ContractorID = second
	must(a, phone, item(domain.VisitKind, storagetest.ID(), 0, domain.Visit{JobID: in.Job, VisitedOn: "2026-10-15", LeadID: &lead}), item(domain.JobKind, in.Job, 3, sent))
	var findings struct{ Findings []domain.FindingRef }
	a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String()+"/findings", nil).Want(200).Into(&findings)
	for _, f := range findings.Findings {
		must(a, staff, item(domain.WaiverKind, storagetest.ID(), 0, object{"job_id": in.Job, "finding": f, "reason": "invented", "agreed_consequence": "none"}))
	}
	must(a, staff, in.review(domain.Accept))
	for _, c := range compared(a, domain.Staff, inOctober).Contractors {
		want := 0
		if c.ContractorID == a.Contractor.String() {
			want = 1
		}
		if c.JobsCount != want || c.SharedCount != want {
			t.Errorf("%s: %d jobs, %d shared", c.Name, c.JobsCount, c.SharedCount)
		}
	}
}
