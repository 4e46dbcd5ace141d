package month_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	monthdb "ductledger/storage/month"
	"ductledger/storage/storagetest"
)

// A package that does not reconcile is not built, and says which jobs make the
// difference: a job of the month before, one of an older month, one that is
// shown nowhere, many; and that the sums beside a file were changed.
func TestDifferenceNamesItsJobs(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 8, 3, 18, 0, 0, 0, time.UTC))
	ctx := context.Background()
	august := a.Accepted(318, 120.7)
	a.MoveTo("2026-09-02 09:00:00")
	var september []domain.UUID
	for range 24 {
		september = append(september, a.Accepted(200, 100))
	}
	a.MoveTo("2026-10-02 09:00:00")
	october := a.Accepted(150, 60)
	for _, m := range []domain.Month{"2026-08", "2026-09"} {
		b := a.build(m, 0)
		if _, _, err := monthdb.Release(ctx, a.DB, a.Admin, m, "", b.Revision, false); err != nil {
			t.Fatal(err)
		}
	}
	a.MoveTo("2026-11-02 09:00:00")
	owner := dial(t, storagetest.AddressOf(a.DB))
	for _, c := range []struct {
		name        string
		spoil, mend string
		arg         domain.UUID
		errors      int
		says        []string
	}{
		{"a job of the month before", "UPDATE job_result SET before_tenths = 2010 WHERE job_id = $1", "UPDATE job_result SET before_tenths = 2000 WHERE job_id = $1", september[3], 1,
			[]string{"job " + september[3].String(), "before_cfm25 2000 in the package, 2010 by the ledger", "payable 25000 in the package, 25250 by the ledger"}}, // 100.0 and 101.0 at 2.50 [calc]
		{"a job of an older month", "UPDATE job_result SET after_tenths = 1000 WHERE job_id = $1", "UPDATE job_result SET after_tenths = 1207 WHERE job_id = $1", august, 1,
			[]string{"job " + august.String(), "after_cfm25 1207 in the package, 1000 by the ledger"}},
		{"a job that is gone from its month", "UPDATE job_result SET accepted_position = 1000000, judged_at_position = 1000000 WHERE job_id = $1",
			"UPDATE job_result SET accepted_position = o.position, judged_at_position = o.position FROM (SELECT position FROM entry WHERE kind = 'job' AND record_id = $1 ORDER BY version DESC LIMIT 1) AS o WHERE job_id = $1", september[5], 1,
			[]string{"job " + september[5].String(), "jobs_accepted 1 in the package, 0 by the ledger"}},
		{"all jobs of the month before", "UPDATE job_result SET after_tenths = 900 WHERE job_id <> $1 AND accepted_month = '2026-09'", "UPDATE job_result SET after_tenths = 1000 WHERE job_id <> $1 AND accepted_month = '2026-09'", august, 21,
			[]string{"after_cfm25 1000 in the package, 900 by the ledger", "and 4 more jobs"}},
		{"the sums beside the file", "UPDATE month_package SET cumulative = replace(cumulative, '51180', '51190') WHERE month = '2026-09' AND built_by_token <> $1",
			"UPDATE month_package SET cumulative = replace(cumulative, '51190', '51180') WHERE month = '2026-09' AND built_by_token <> $1", august, 1, []string{"are not those of its reconciliation.csv", "before_cfm25"}},
		{"a job of the month that no row shows", "UPDATE job_result SET accepted_at = accepted_at - interval '90 days' WHERE job_id = $1", "UPDATE job_result SET accepted_at = accepted_at + interval '90 days' WHERE job_id = $1", october, 1,
			[]string{"job " + october.String(), "before_cfm25 0 in the package, 1500 by the ledger"}},
	} {
		exec(t, owner, c.spoil, [16]byte(c.arg))
		_, _, err := monthdb.BuildNow(ctx, a.DB, a.Staff, "2026-10", "", 0, monthdb.Options{BuildID: "test"})
		var refused *domain.Error
		if !errors.As(err, &refused) || refused.Code != domain.NotReconciled || len(refused.Faults) != c.errors {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		for _, want := range c.says {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %q is not said: %v", c.name, want, err)
			}
		}
		p, err := monthdb.ReadPackage(ctx, a.DB, a.Staff, "2026-10", "", 1)
		if err != nil || p.State != monthdb.PackageFailed || len(p.Build.Failure.Faults) != c.errors {
			t.Errorf("%s: the office sees %s, %+v, %v", c.name, p.State, p.Build, err)
		}
		exec(t, owner, c.mend, [16]byte(c.arg))
	}
	if b := a.build("2026-10", 0); b.line("jobs_accepted") != "25 1 0 0 0 26" {
		t.Errorf("in the end: %s", b.line("jobs_accepted"))
	}
}
