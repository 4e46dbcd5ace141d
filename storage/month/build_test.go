package month_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	process "os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/storage"
	monthdb "ductledger/storage/month"
	"ductledger/storage/storagetest"
)

// The test program run again as an instance that builds what is asked for and
// is killed at a stage.
const (
	dieAt      = "TEST_DIE_AT_STAGE"
	dieOn      = "TEST_DIE_DATABASE"
	dieAtTime  = "TEST_DIE_TIME"
	dieProgram = "TEST_DIE_PROGRAM"
)

// buildAndDie ends by kill -9, or with exit code 3 when the stage never came.
func buildAndDie(stage string) {
	now, err := time.Parse(time.RFC3339, os.Getenv(dieAtTime))
	if err == nil {
		var db *storage.DB
		db, err = storage.Open(context.Background(), os.Getenv(dieOn), storage.Options{Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
		if err == nil {
			caller := domain.Caller{Program: storage.ProgramID(os.Getenv(dieProgram)), Role: domain.Staff, Name: "Sam Invented"}
			_, _, err = monthdb.BuildNow(context.Background(), db, caller, "2026-10", "", 0, monthdb.Options{BuildID: "test", Report: func(at string, _, _ int64) {
				if at != stage {
					return
				}
				self, err := os.FindProcess(os.Getpid())
				if err == nil {
					err = self.Kill()
				}
				fmt.Fprintln(os.Stderr, err)
				select {} // the signal is on its way
			}})
		}
	}
	fmt.Fprintln(os.Stderr, "not killed:", err)
	os.Exit(3)
}

// An instance is killed at every stage of a build: another one finishes it,
// there is one revision, and its bytes are those of a build that nothing
// happened to.
func TestBuildSurvivesKillAtEveryStage(t *testing.T) {
	t.Parallel()
	stages := []string{monthdb.StageHistory}
	for _, table := range month.Tables() {
		stages = append(stages, table.Name)
	}
	stages = append(stages, monthdb.StageStoring, monthdb.StageVerifying)
	a := newAgency(t, time.Date(2026, 10, 3, 18, 0, 0, 0, time.UTC))
	ctx := context.Background()
	a.Accepted(318, 120.7)
	a.Decide(a.Accepted(150, 60), domain.Reopen)
	a.MoveTo("2026-11-02 09:00:00")
	program, err := a.DB.Program(ctx, a.Program)
	if err != nil {
		t.Fatal(err)
	}
	plan, err := monthdb.PlanOf(ctx, a.DB, a.Staff, "2026-10", "", 0)
	if err != nil {
		t.Fatal(err)
	}
	var undisturbed bytes.Buffer
	if _, _, err := monthdb.Write(ctx, a.DB, a.Program, &plan, &undisturbed, monthdb.Options{BuildID: "test"}); err != nil {
		t.Fatal(err)
	}
	owner := dial(t, storagetest.AddressOf(a.DB))
	for _, stage := range stages {
		child := process.Command(os.Args[0])
		child.Env = append(os.Environ(), dieAt+"="+stage, dieOn+"="+storagetest.AddressOf(a.DB), dieProgram+"="+program.Code, dieAtTime+"="+a.DB.Now().UTC().Format(time.RFC3339))
		said, err := child.CombinedOutput()
		if err == nil || child.ProcessState.ExitCode() == 3 {
			t.Fatalf("%s: %v\n%s", stage, err, said)
		}
		list, err := monthdb.Packages(ctx, a.DB, a.Staff, "2026-10", 0, 10)
		if err != nil || len(list) != 1 || list[0].State != monthdb.PackageBuilding || list[0].Build.Tries != 1 {
			t.Fatalf("killed at %s, the office sees %+v, %v", stage, list, err)
		}
		if list, err := monthdb.Packages(ctx, a.DB, domain.Caller{Program: a.Program, Role: domain.Funder}, "2026-10", 0, 10); err != nil || len(list) != 0 {
			t.Errorf("killed at %s, the funder sees %+v, %v", stage, list, err)
		}
		p := a.taken(t)
		if p.Revision != 1 || p.State != monthdb.PackageVerified || p.BuiltBy != "Sam Invented" {
			t.Errorf("killed at %s: revision %d, %s, built by %q", stage, p.Revision, p.State, p.BuiltBy)
		}
		if b := a.read(p); !bytes.Equal(b.bytes, undisturbed.Bytes()) {
			t.Errorf("killed at %s: other bytes than those of an undisturbed build", stage)
		}
		if list, err := monthdb.Packages(ctx, a.DB, a.Staff, "2026-10", 0, 10); err != nil || len(list) != 1 {
			t.Errorf("killed at %s: %d revisions, %v", stage, len(list), err)
		}
		exec(t, owner, "DELETE FROM month_package_part")
		exec(t, owner, "DELETE FROM month_package")
	}
}

// taken lets another instance run until October stands or failed: no clock
// moves, since a dead one's lock ends with its session.
func (a *agency) taken(t *testing.T) monthdb.Package {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	var builder sync.WaitGroup
	defer builder.Wait()
	defer stop()
	builder.Go(func() { monthdb.BuildAsked(ctx, a.DB, monthdb.Options{BuildID: "test"}) })
	return a.await(t, 1, monthdb.PackageBuilding)
}

// await asks after a revision of October until it is no longer in the state.
func (a *agency) await(t *testing.T, revision int, state monthdb.PackageState) monthdb.Package {
	t.Helper()
	for range 2400 {
		p, err := monthdb.ReadPackage(context.Background(), a.DB, a.Staff, "2026-10", "", revision)
		if err != nil {
			t.Fatal(err)
		}
		if p.State != state {
			return p
		}
		select { // as if somebody had asked again
		case a.DB.Signal(monthdb.Asked) <- struct{}{}:
		default:
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("revision %d is still %s", revision, state)
	return monthdb.Package{}
}

// An instance that is ended in order gives its build back at once, and the
// interrupted try is not counted.
func TestBuildIsGivenBackAtTheEnd(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 10, 3, 18, 0, 0, 0, time.UTC))
	a.Accepted(318, 120.7)
	a.MoveTo("2026-11-02 09:00:00")
	if p, err := monthdb.Ask(context.Background(), a.DB, a.Staff, "2026-10", "", 0, false); err != nil || p.State != monthdb.PackageBuilding || p.Build.Stage != monthdb.StageWaiting {
		t.Fatalf("%+v, %v", p, err)
	}
	for _, stage := range []string{monthdb.StageHistory, month.JobsTable, monthdb.StageStoring, monthdb.StageVerifying} {
		ctx, stop := context.WithCancel(context.Background())
		monthdb.BuildAsked(ctx, a.DB, monthdb.Options{BuildID: "test", Report: func(at string, _, _ int64) {
			if at == stage {
				stop()
			}
		}})
		stop()
		p, err := monthdb.ReadPackage(context.Background(), a.DB, a.Staff, "2026-10", "", 1)
		if err != nil || p.State != monthdb.PackageBuilding || p.Build.Stage != monthdb.StageWaiting || p.Build.Tries != 0 {
			t.Fatalf("ended at %s: %s, %+v, %v", stage, p.State, p.Build, err)
		}
	}
	if b := a.build("2026-10", 0); b.Revision != 1 || b.State != monthdb.PackageVerified {
		t.Errorf("then revision %d, %s", b.Revision, b.State)
	}
}

// Two instances never build the same month: while one holds it the other leaves
// it alone, and one whose session the server ended stores nothing.
func TestBuildIsOfWhoHoldsItsLock(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 10, 3, 18, 0, 0, 0, time.UTC))
	a.Accepted(318, 120.7)
	a.MoveTo("2026-11-02 09:00:00")
	owner := dial(t, storagetest.AddressOf(a.DB))
	slept := false
	p, made, err := monthdb.BuildNow(context.Background(), a.DB, a.Staff, "2026-10", "", 0, monthdb.Options{BuildID: "sleeper", Report: func(at string, _, _ int64) {
		if at != month.CodesTable || slept {
			return
		}
		slept = true
		other, end := context.WithTimeout(context.Background(), time.Second)
		defer end()
		monthdb.BuildAsked(other, a.DB, monthdb.Options{BuildID: "test", Report: func(stage string, _, _ int64) { t.Errorf("the other one builds too: %s", stage) }})
		if p, err := monthdb.ReadPackage(context.Background(), a.DB, a.Staff, "2026-10", "", 1); err != nil || p.Build == nil || p.Build.Tries != 1 || p.Build.Stage != month.CodesTable {
			t.Errorf("while it is held: %+v, %v", p.Build, err)
		}
		var ended int
		if err := owner.QueryRow(context.Background(), `SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity
            WHERE datname = current_database() AND application_name LIKE '% lock'`).Scan(&ended); err != nil || ended != 1 {
			t.Errorf("%d sessions held a build, %v", ended, err)
		}
		a.taken(t)
	}})
	if err != nil || made || p.Revision != 1 || p.State != monthdb.PackageVerified {
		t.Fatalf("made %t, %+v, %v", made, p, err)
	}
	if b := a.read(p); bytes.Contains(b.bytes, []byte("sleeper")) || strings.Contains(fmt.Sprint(b.tables), "sleeper") {
		t.Error("the file is of the one who slept")
	}
}

// A build that kills its instance every time is begun three times and then
// says why it is not; what can never succeed fails at once; a database that is
// away is no reason.
func TestBuildFailsWithAReason(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 3, 18, 0, 0, 0, time.UTC))
	ctx := context.Background()
	a.Accepted(318, 120.7)
	a.MoveTo("2026-10-02 09:00:00")
	a.build("2026-09", 0)
	if _, _, err := monthdb.Release(ctx, a.DB, a.Admin, "2026-09", "", 1, false); err != nil {
		t.Fatal(err)
	}
	a.MoveTo("2026-11-02 09:00:00")
	owner := dial(t, storagetest.AddressOf(a.DB))
	if _, err := monthdb.Ask(ctx, a.DB, a.Staff, "2026-10", "", 0, false); err != nil {
		t.Fatal(err)
	}
	exec(t, owner, "UPDATE month_build SET tries_count = 3")
	p := a.taken(t)
	if p.State != monthdb.PackageFailed || p.Build.Failure.Code != domain.Internal || !strings.Contains(p.Build.Failure.Detail, "3 times") {
		t.Fatalf("%+v: %+v", p, p.Build)
	}
	// Asked again, it is a new build; meanwhile the month before changed.
	exec(t, owner, "UPDATE month_package SET cumulative = replace(cumulative, '3180', '3190') WHERE month = '2026-09'")
	if p, err := monthdb.Ask(ctx, a.DB, a.Staff, "2026-10", "", 0, false); err != nil || p.State != monthdb.PackageBuilding || p.Build.Tries != 0 {
		t.Fatalf("%+v, %v", p.Build, err)
	}
	if p = a.taken(t); p.State != monthdb.PackageFailed || p.Build.Failure.Code != domain.NotReconciled || !strings.Contains(p.Build.Failure.Detail, "before_cfm25") {
		t.Fatalf("%+v: %+v", p, p.Build)
	}
	var failures int
	if err := owner.QueryRow(ctx, "SELECT count(*) FROM audit WHERE action = 'package_build_failed' AND token_id IS NOT NULL").Scan(&failures); err != nil || failures != 2 {
		t.Errorf("%d failures in the audit, %v", failures, err)
	}
	exec(t, owner, "UPDATE month_package SET cumulative = replace(cumulative, '3190', '3180') WHERE month = '2026-09'")
	if b := a.build("2026-10", 0); b.State != monthdb.PackageVerified || b.Revision != 1 {
		t.Errorf("in the end: %s, revision %d", b.State, b.Revision)
	}
}

// While a month is being built, who asks for the same gets that build, who
// asks for another position waits.
func TestAMonthHasOneBuildAtATime(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 10, 3, 18, 0, 0, 0, time.UTC))
	ctx := context.Background()
	a.Accepted(318, 120.7)
	a.MoveTo("2026-11-02 09:00:00")
	a.Accepted(200, 100)
	nobody := domain.Caller{Program: a.Program, Role: domain.Staff}
	first, err := monthdb.Ask(ctx, a.DB, nobody, "2026-10", "", 0, false)
	if err != nil {
		t.Fatal(err)
	}
	if p, err := monthdb.Ask(ctx, a.DB, a.Staff, "2026-10", "", first.Position, false); err != nil || p.Revision != 1 || p.Build.AskedBy != "Sam Invented" {
		t.Errorf("the same: %+v, %v", p.Build, err)
	}
	if _, err := monthdb.Ask(ctx, a.DB, a.Staff, "2026-10", "", first.Position+1, false); domain.CodeOf(err) != domain.InProgress {
		t.Errorf("another position: %v", err)
	}
	if p, err := monthdb.Ask(ctx, a.DB, a.Staff, "2026-11", "", 0, true); err != nil || p.Build == nil {
		t.Errorf("tried: %+v, %v", p, err)
	}
	if list, err := monthdb.Packages(ctx, a.DB, a.Staff, "2026-11", 0, 10); err != nil || len(list) != 0 {
		t.Errorf("what was only tried stands: %+v, %v", list, err)
	}
	// Who builds for another program, with its key, leaves this one alone.
	other, end := context.WithTimeout(ctx, time.Second)
	defer end()
	monthdb.BuildAsked(other, a.DB, monthdb.Options{BuildID: "test", Program: domain.UUID{1}})
	if p, err := monthdb.ReadPackage(ctx, a.DB, a.Staff, "2026-10", "", 1); err != nil || p.State != monthdb.PackageBuilding || p.Build.Stage != monthdb.StageWaiting {
		t.Errorf("another program's builder left it %s: %+v, %v", p.State, p.Build, err)
	}
	if p := a.taken(t); p.State != monthdb.PackageVerified || p.BuiltBy != "Sam Invented" {
		t.Errorf("%s, built by %q", p.State, p.BuiltBy)
	}
}
