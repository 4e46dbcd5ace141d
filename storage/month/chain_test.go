package month_test

import (
	"context"
	"maps"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	monthdb "ductledger/storage/month"
	"ductledger/storage/storagetest"
)

// standingJob is what the test itself knows of a job.
type standingJob struct {
	id            domain.UUID
	before, after float64
	accepted      bool
	void          bool
	callBacks     []domain.UUID // charged
}

// paid is what the job's line comes to, and taken what its complaints take
// from it, by the prices of newAgency [calc].
func (j *standingJob) paid() (payable int64) {
	paid := max(int64(250*(j.before-j.after)), 15000)
	each := 1000 + paid/5 // 50 cents for each whole cfm25: nothing to round
	return paid - min(int64(len(j.callBacks))*each, paid)
}

// Thirteen consecutive months of invented work with everything that can happen
// afterwards: every package verifies with the one before, every line ends at
// what the test counts by itself, and the lines of corrections.csv add up to
// what the reconciliation says moved.
func TestThirteenMonthsReconcile(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2025, 10, 3, 18, 0, 0, 0, time.UTC))
	ctx := context.Background()
	random := rand.New(rand.NewPCG(13, 2026))
	var jobs []*standingJob
	var last *built
	told := map[string]domain.Month{}
	first := time.Date(2025, 10, 1, 0, 0, 0, 0, time.UTC)
	for i := range 13 {
		begin := first.AddDate(0, i, 0)
		m := domain.Month(begin.Format("2006-01"))
		a.MoveTo(begin.AddDate(0, 0, 4).Format("2006-01-02") + " 08:00:00")
		for range 2 + random.IntN(2) {
			j := &standingJob{before: float64(100 + random.IntN(400)), after: float64(20 + random.IntN(80)), accepted: true}
			j.id = a.Accepted(j.before, j.after)
			jobs = append(jobs, j)
		}
		for range 4 {
			a.happen(random, jobs[random.IntN(len(jobs))])
		}
		next := first.AddDate(0, i+1, 0)
		a.MoveTo(next.AddDate(0, 0, 1).Format("2006-01-02") + " 08:00:00")
		if i%4 == 3 { // some months have something recorded before they are built
			a.happen(random, jobs[random.IntN(len(jobs))])
			continue // and are built later, with the next
		}
		if i > 0 && i%4 == 0 {
			previous := a.build(domain.Month(first.AddDate(0, i-1, 0).Format("2006-01")), 0)
			previous.verify(t, last)
			previous.tellsOnce(t, told)
			last = previous
		}
		b := a.build(m, 0)
		b.verify(t, last)
		a.compare(b, jobs)
		b.tellsOnce(t, told)
		if i%3 == 0 { // a released predecessor and an unreleased one must do the same
			if _, _, err := monthdb.Release(ctx, a.DB, a.Admin, m, "", b.Revision, false); err != nil {
				t.Fatal(err)
			}
		}
		last = b
	}
	if last.Month != "2026-10" {
		t.Errorf("the last package is of %s", last.Month)
	}
	if taken := slices.Collect(maps.Keys(told)); !slices.ContainsFunc(taken, func(id string) bool { return id[0] == 'L' }) {
		t.Error("nothing was taken back from a job of an earlier month")
	}
}

// happen lets something happen to a job, as its state allows.
func (a *agency) happen(random *rand.Rand, j *standingJob) {
	a.t.Helper()
	what := random.IntN(9)
	switch {
	case j.void:
	case j.accepted && what == 0:
		a.Decide(j.id, domain.Reopen)
		j.accepted = false
	case !j.accepted: // work again, and accepted again
		j.after = float64(20 + random.IntN(80))
		a.Must(a.t, a.Field, a.Reading(j.id, domain.After, j.after, time.Hour))
		a.Send(j.id)
		a.Decide(j.id, domain.Accept)
		j.accepted = true
		a.Clock.Move(2 * time.Hour)
	case what == 1:
		a.Void(j.id)
		j.void, j.accepted = true, false
	case what == 2:
		a.Decide(j.id, domain.Exclude)
	case what == 3:
		a.Decide(j.id, domain.Include)
	case what == 4:
		a.Must(a.t, a.Staff, a.Reading(j.id, domain.After, 33, time.Hour)) // late: it moves no figure
	case what == 5 && len(j.callBacks) > 0: // it was the resident after all
		a.Must(a.t, a.Staff, storagetest.On(storagetest.Item(a.t, j.callBacks[0], a.callBack(j.id, "resident")), 1))
		j.callBacks = j.callBacks[1:]
	case what >= 6:
		id := storagetest.ID()
		a.Must(a.t, a.Staff, storagetest.Item(a.t, id, a.callBack(j.id, "crew")))
		j.callBacks = append(j.callBacks, id)
	default:
		a.Must(a.t, a.Staff, storagetest.Item(a.t, storagetest.ID(), &domain.Inspection{JobID: j.id, Purpose: "final",
			InspectedOn: domain.DateOf(a.DB.Now(), time.UTC), InspectorName: "Ina Invented", Result: "passed"}))
	}
	a.Clock.Move(time.Minute)
}

func (a *agency) callBack(job domain.UUID, fault string) *domain.CallBack {
	today := domain.DateOf(a.DB.Now(), time.UTC)
	return &domain.CallBack{JobID: job, ReportedOn: today, ClosedOn: today, Reason: "no air", AtFault: fault}
}

// tellsOnce holds every event and every line taken back to one package.
func (b *built) tellsOnce(t *testing.T, told map[string]domain.Month) {
	t.Helper()
	for table, key := range map[string]string{"corrections": "correction_id", "call_backs": "line_id"} {
		for _, row := range b.tables[table] {
			// An event of the month itself stands in its package, and again in
			// no other.
			if at, twice := told[row[key]]; twice {
				t.Errorf("%s stands in the packages of %s and %s", row[key], at, b.Month)
			}
			told[row[key]] = b.Month
		}
	}
}

// compare recounts what stands and what the corrections moved.
func (a *agency) compare(b *built, jobs []*standingJob) {
	a.t.Helper()
	var count, before, after, payable int64
	for _, j := range jobs {
		if j.accepted {
			count, before, after, payable = count+1, before+int64(10*j.before), after+int64(10*j.after), payable+j.paid()
		}
	}
	for measure, want := range map[string]int64{"jobs_accepted": count, "before_cfm25": before, "after_cfm25": after, "reduction_cfm25": before - after, "payable": payable} {
		line := strings.Fields(b.line(measure))
		if got := line[len(line)-1]; got != strconv.FormatInt(want, 10) {
			a.t.Errorf("%s %s: %s stand, the test counts %d", b.Month, measure, got, want)
		}
	}
	moved := map[string]int64{}
	for _, row := range b.tables["corrections"] {
		if domain.Month(row["original_month"]) < b.Month {
			moved[row["field"]] += units(a.t, row["new_value"]) - units(a.t, row["old_value"])
		}
	}
	for measure, field := range map[string]string{"before_cfm25": "before_cfm25", "after_cfm25": "after_cfm25", "reduction_cfm25": "reduction_cfm25",
		"payable": "payable_cents", "held_back": "held_back_cents", "times_returned": "returned_count"} {
		var line [6]int64 // previous, new, late, corrections, voided, cumulative
		for i, text := range strings.Fields(b.line(measure)) {
			n, err := strconv.ParseInt(text, 10, 64)
			if err != nil {
				a.t.Fatal(err)
			}
			line[i] = n
		}
		if measure == "payable" {
			if byFund := b.columns("payable."); byFund != line {
				a.t.Errorf("%s: payable is %v, by fund source and category it is %v", b.Month, line, byFund)
			}
		}
		if want := line[2] + line[3] - line[4]; moved[field] != want {
			a.t.Errorf("%s: the lines of %s in corrections.csv move %d, the reconciliation %d", b.Month, field, moved[field], want)
		}
	}
}

// columns adds up the lines of the reconciliation whose measure begins so.
func (b *built) columns(prefix string) (sum [6]int64) {
	for _, row := range b.tables["reconciliation"] {
		if !strings.HasPrefix(row["measure"], prefix) {
			continue
		}
		for i, column := range []string{"previous_cumulative", "new", "late", "corrections_net", "voided", "cumulative"} {
			n, _ := strconv.ParseInt(row[column], 10, 64)
			sum[i] += n
		}
	}
	return sum
}

// units reads a cell in units of its last decimal; 0 for an empty one and for
// one that is no number.
func units(t *testing.T, cell string) int64 {
	t.Helper()
	cell = strings.TrimPrefix(cell, "'")
	n, err := strconv.ParseInt(strings.Replace(cell, ".", "", 1), 10, 64)
	if err != nil {
		return 0
	}
	return n
}
