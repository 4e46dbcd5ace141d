package month_test

import (
	"context"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/storage"
	monthdb "ductledger/storage/month"
	"ductledger/storage/storagetest"
)

func mustPackage(t *testing.T, a *agency, m domain.Month, revision int) monthdb.Package {
	t.Helper()
	p, err := monthdb.ReadPackage(context.Background(), a.DB, a.Admin, m, "", revision)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestReleaseTakesTwoPeopleAndFixesTheChain(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 3, 18, 0, 0, 0, time.UTC))
	ctx := context.Background()
	nobody := storagetest.Token(t, a.DB, storage.Token{Role: domain.Admin}, a.Program)
	eve := storagetest.Token(t, a.DB, storage.Token{Role: domain.Admin, Name: " sam invented "}, a.Program)
	funder := domain.Caller{Program: a.Program, Role: domain.Funder}
	a.Accepted(200, 100)
	a.MoveTo("2026-10-02 09:00:00")
	a.Accepted(100, 50)
	if p, _, err := monthdb.BuildNow(ctx, a.DB, nobody, "2026-09", "", 0, monthdb.Options{BuildID: "test"}); err != nil || p.BuiltBy != "" {
		t.Fatalf("built by %q, %v", p.BuiltBy, err)
	}
	release := func(caller domain.Caller, m domain.Month, revision int) domain.Code {
		t.Helper()
		_, _, err := monthdb.Release(ctx, a.DB, caller, m, "", revision, false)
		if err == nil {
			return ""
		}
		return domain.CodeOf(err)
	}
	if got := release(a.Admin, "2026-09", 1); got != domain.SamePerson {
		t.Errorf("released what nobody built: %q", got)
	}
	a.build("2026-09", 0) // Sam stands for it now
	for _, c := range []struct {
		who  string
		by   domain.Caller
		want domain.Code
	}{{"nobody", nobody, domain.SamePerson}, {"the builder, written otherwise", eve, domain.SamePerson}, {"another person", a.Admin, ""}, {"again", a.Admin, ""}} {
		if list, err := monthdb.Packages(ctx, a.DB, funder, "2026-09", 0, 10); err != nil || len(list) != 0 && c.who != "again" {
			t.Errorf("before %s: the funder sees %d packages, %v", c.who, len(list), err)
		}
		if got := release(c.by, "2026-09", 1); got != c.want {
			t.Errorf("released by %s: %q, want %q", c.who, got, c.want)
		}
	}
	if list, err := monthdb.Packages(ctx, a.DB, funder, "2026-09", 0, 10); err != nil || len(list) != 1 || list[0].State != monthdb.PackageReleased {
		t.Errorf("the funder sees %+v, %v", list, err)
	}

	// October follows from the released file and names it.
	a.MoveTo("2026-11-02 09:00:00")
	a.Accepted(300, 100)
	october := a.build("2026-10", 0)
	september := a.read(mustPackage(t, a, "2026-09", 1))
	if october.PreviousSHA256 != september.SHA256 {
		t.Errorf("October names %q as the package before, want %s", october.PreviousSHA256, september.SHA256)
	}
	october.verify(t, september)
	if got := release(a.Admin, "2026-10", 1); got != "" {
		t.Errorf("October: %q", got)
	}
	// September is fixed now: another cut would count again what October holds.
	if _, _, err := monthdb.BuildNow(ctx, a.DB, a.Staff, "2026-09", "", september.Position+1, monthdb.Options{BuildID: "test"}); domain.CodeOf(err) != domain.NotReconciled {
		t.Errorf("September cut later than October follows: %v", err)
	}
	// A fix of October before November follows: revision 2 supersedes revision 1.
	fix := a.build("2026-10", october.Position+1)
	if got := release(a.Admin, "2026-10", 1); got != "" {
		t.Errorf("released already, but %q", got)
	}
	if got := release(a.Admin, "2026-10", fix.Revision); got != "" {
		t.Errorf("revision 2: %q", got)
	}
	if p := mustPackage(t, a, "2026-10", 1); p.State != monthdb.PackageSuperseded || p.SHA256 != october.SHA256 {
		t.Errorf("revision 1 is %s", p.State)
	}
	if list, err := monthdb.Packages(ctx, a.DB, funder, "2026-10", 0, 10); err != nil || len(list) != 2 {
		t.Errorf("the funder sees %d revisions, %v", len(list), err)
	}
}
