package month_test

import (
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/storage/storagetest"
)

// A month in which crews read by three methods: total leakage and leakage to
// outside are never added up, whatever is left out says why, and a pocket
// calculator agrees with the money [calc]:
//
//	total fan      300.0 → 100.0                              200.0 × 2.50 = 500.00
//	fan to outside 250.0 → 130.0                              120.0 × 2.50 = 300.00
//	subtraction    204.5 → below what it can tell, 68.5       136.0 × 2.50 = 340.00
//	subtraction    204.5 → a reading that decides nothing     the floor      150.00
//	total before, to outside after                            withheld
func TestAMonthOfMixedMethods(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 10, 5, 15, 0, 0, 0, time.UTC))
	a.MoveTo("2026-10-05 09:00:00")
	reading := func(job domain.UUID, method domain.Method, stage domain.Stage, at time.Duration, r domain.Reading) domain.Record {
		return &domain.Measurement{JobID: job, Method: method, Stage: stage, InstrumentID: a.Instrument, TakenAt: a.DB.Now().Add(at),
			HousePressurePa: new(50.0), Readings: []domain.Reading{r}}
	}
	fan := func(cfm float64) domain.Reading { return domain.Reading{PressurePa: new(25.0), FlowCFM: &cfm} }
	door := func(whole, masked, pa float64) domain.Reading {
		return domain.Reading{WholeCFM: &whole, MaskedCFM: &masked, HouseToDuctPa: &pa}
	}
	read := func(before, after domain.Method, first, last domain.Reading) domain.UUID {
		home, id := storagetest.ID(), storagetest.ID()
		a.Must(t, a.Staff, storagetest.Item(t, home, &domain.Home{SectionCount: 1, DuctedSections: []domain.Section{"A"}}),
			storagetest.Item(t, id, &domain.Job{HomeID: home, ContractorID: a.Contractor, PayBasis: domain.Measured, State: domain.Assigned, FundSource: a.Fund}))
		a.Must(t, a.Field, append(a.Shown(id), storagetest.Item(t, storagetest.ID(), reading(id, before, domain.Before, -2*time.Hour, first)),
			storagetest.Item(t, storagetest.ID(), reading(id, after, domain.After, -time.Hour, last)))...)
		a.Send(id)
		a.Decide(id, domain.Accept)
		return id
	}
	total := read(domain.FanTotal, domain.FanTotal, fan(300), fan(100))
	outside := read(domain.FanOutside, domain.FanOutside, fan(250), fan(130))
	tight := read(domain.Subtraction, domain.Subtraction, door(1850, 1610, 44), door(1700, 1700, 48))
	unclear := read(domain.Subtraction, domain.Subtraction, door(1850, 1610, 44), door(1700, 1650, 48))
	mixed := read(domain.FanTotal, domain.FanOutside, fan(300), fan(100))
	a.MoveTo("2026-11-02 09:00:00")
	b := a.build("2026-10", 0)
	for measure, want := range map[string]string{
		"jobs_accepted": "5", "before_cfm25": "3000", "after_cfm25": "1000", "reduction_cfm25": "2000", "jobs_with_reduction": "1",
		"outside_before_cfm25": "4545", "outside_after_cfm25": "1985", "outside_reduction_cfm25": "2560", "jobs_with_outside_reduction": "2",
		"payable": "129000", "held_back": "12900",
	} {
		if got := b.line(measure); got != "0 "+want+" 0 0 0 "+want {
			t.Errorf("%s: %s, want %s", measure, got, want)
		}
	}
	for id, want := range map[domain.UUID][4]string{
		total:   {"200.0", "", "", "50000"},
		outside: {"", "120.0", "", "30000"},
		tight:   {"", "136.0", "", "34000"},
		unclear: {"", "", "undecided", "15000"},
		mixed:   {"", "", "methods_differ", "0"},
	} {
		for _, row := range b.tables["jobs"] {
			if row["job_id"] == id.String() {
				if got := [4]string{row["reduction_cfm25"], row["outside_reduction_cfm25"], row["no_reduction_reason"], row["payable_cents"]}; got != want {
					t.Errorf("%q, want %q", got, want)
				}
			}
		}
	}
	b.verify(t, nil)
}
