package callbacks

import (
	"iter"
	"math"
	"slices"
	"testing"

	"ductledger/domain"
)

func id(n byte) domain.UUID { return domain.UUID{15: n} }

func each(jobs []Job) iter.Seq2[Job, error] {
	return func(yield func(Job, error) bool) {
		for _, j := range jobs {
			if !yield(j, nil) {
				return
			}
		}
	}
}

func call(on domain.Date, cause domain.CallBackCause, fault string) Call {
	return Call{ReportedOn: on, Closed: fault != "", Cause: cause, AtFault: fault}
}

// One contractor is called back again and again, one was only unlucky: 9 of 20 beside 2
// of 60 and 1 of 3. The warranty of twelve months ends with its last day.
func TestRates(t *testing.T) {
	var jobs []Job
	for i := range 83 {
		j := Job{ContractorID: id(1), AcceptedOn: "2025-03-10"}
		switch {
		case i < 20:
			if i < 9 {
				j.Calls = []Call{call("2025-05-02", domain.CauseSealOpened, "crew"), call("2025-04-01", domain.CausePartLoose, "crew")} // once, by the first
			}
		case i < 80:
			j.ContractorID = id(2)
			switch i {
			case 20:
				j.Calls = []Call{call("2026-03-10", "", "wear")} // the last day
			case 21:
				j.Calls = []Call{call("2026-03-11", "", "crew")} // a day later
			case 22:
				j.Calls = []Call{call("2025-04-01", "", "")}
			}
		default:
			if j.ContractorID = id(3); i == 80 {
				j.Calls = []Call{call("2025-04-01", domain.CauseNotSealed, "crew")}
			}
		}
		jobs = append(jobs, j)
	}
	f, err := Rates(each(jobs), "2026-06-01", 12, map[domain.UUID]string{id(1): "A", id(2): "B", id(3): "C"})
	if err != nil || len(f.Contractors) != 3 {
		t.Fatalf("%+v, %v", f, err)
	}
	a, b, c := f.Contractors[0], f.Contractors[1], f.Contractors[2]
	if a.CalledBackCount != 9 || a.AtFaultCount != 9 || !a.Listed || len(a.Causes) != 1 || a.Causes[0] != (Cause{"part_came_loose", 9}) {
		t.Errorf("called back again and again: %+v", a)
	}
	if b.CalledBackCount != 2 || b.AfterWarrantyCount != 1 || b.AtFaultCount != 0 || b.Listed || !slices.Equal(b.Causes, []Cause{{"not_stated", 1}, {"not_yet_known", 1}}) {
		t.Errorf("at the end of the warranty: %+v", b)
	}
	if c.CalledBackCount != 1 || c.Listed || c.OverExpected != nil { // .43 are expected
		t.Errorf("only unlucky: %+v", c)
	}
	if f.Program.CalledBackCount != 12 || f.Program.CompleteCount != 83 || a.ExpectedCount == nil || math.Abs(*a.ExpectedCount-12*20./83) > 1e-9 {
		t.Errorf("%+v, expected %v", f.Program, a.ExpectedCount)
	}
	// Wilson of 9 in 20: .2582 to .6579 [calc].
	if math.Abs(*a.RatioLow-.2582) > 5e-5 || math.Abs(*a.RatioHigh-.6579) > 5e-5 {
		t.Errorf("9 of 20: %v to %v", *a.RatioLow, *a.RatioHigh)
	}
}

// A contractor that began last month is compared by the time its jobs had: its rate is
// not known yet.
func TestNewJobsHadNoTime(t *testing.T) {
	var jobs []Job
	for range 30 {
		jobs = append(jobs, Job{ContractorID: id(1), AcceptedOn: "2025-01-01"}, Job{ContractorID: id(2), AcceptedOn: "2026-05-01"})
	}
	for i := 0; i < 24; i += 2 {
		jobs[i].Calls = []Call{call("2025-06-01", "", "wear")}
	}
	f, err := Rates(each(jobs), "2026-06-01", 12, nil)
	if err != nil {
		t.Fatal(err)
	}
	late := f.Contractors[slices.IndexFunc(f.Contractors, func(c Firm) bool { return c.ContractorID == id(2) })]
	// 12 calls, 30·365 days of the first and 30·31 of the second: 12·31/396 = .94.
	if late.Reason != WarrantyRuns || late.Ratio != nil || late.ExpectedCount == nil || math.Abs(*late.ExpectedCount-12*31./396) > 1e-9 {
		t.Errorf("%+v, expected %v", late, late.ExpectedCount)
	}
	if none, err := Rates(each(nil), "2026-06-01", 12, nil); err != nil || none.Program.Reason != NoJobs || none.Contractors == nil {
		t.Errorf("no job: %+v, %v", none, err)
	}
	if _, err := Rates(each(jobs), "June", 12, nil); err == nil {
		t.Error("June is no day")
	}
	if _, err := Rates(each(jobs), "2026-06-01", -1, nil); err == nil {
		t.Error("a warranty of less than nothing was taken")
	}
}
