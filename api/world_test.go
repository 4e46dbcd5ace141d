package api_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"sync"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// object is a JSON object as a test writes or reads it.
type object = map[string]any

// item is one item of a batch: a new record, or a change of version base.
func item(kind domain.Kind, id domain.UUID, base int, record any) object {
	return object{"kind": kind, "id": id, "base_version": base, "record": record}
}

// standing is where a program stands: what a request that stores nothing
// leaves as it was.
type standing struct {
	HeadPosition  int64  `json:"head_position"`
	HeadLink      string `json:"head_link"`
	HeldOpenCount int    `json:"held_open_count"`
	Epoch         string
}

// standsAt asks as staff.
func standsAt(a *apitest.API, staff string) (s standing) {
	a.T.Helper()
	a.Send(staff, "GET", "/v1/sync", nil).Want(200).Into(&s)
	return s
}

// unmoved fails the test when do makes one of the programs move.
func unmoved(a *apitest.API, do func(), staff ...string) {
	a.T.Helper()
	before := make([]standing, len(staff))
	for i, token := range staff {
		before[i] = standsAt(a, token)
	}
	do()
	for i, token := range staff {
		if now := standsAt(a, token); now != before[i] {
			a.T.Errorf("the program moved from %+v to %+v", before[i], now)
		}
	}
}

type itemAnswer struct {
	Index    int
	ID       string
	Status   string
	Version  int64
	Position int64
	Late     bool
	Notes    []string
	HeldID   string `json:"held_id"`
	Current  *entry
	Problem  *apitest.Problem
}

type batchAnswer struct {
	Epoch         string
	Receipt       string
	ReceivedAt    string  `json:"received_at"`
	HeldOpenCount int     `json:"held_open_count"`
	RetryAfterS   float64 `json:"retry_after_s"`
	Items         []itemAnswer
	Jobs          []struct {
		JobID            string `json:"job_id"`
		MustFixCount     int    `json:"must_fix_count"`
		CheckCount       int    `json:"check_count"`
		NotRecordedCount int    `json:"not_recorded_count"`
	}
}

// statuses of the items, in their order.
func (b batchAnswer) statuses() []string {
	list := make([]string, len(b.Items))
	for i := range b.Items {
		list[i] = b.Items[i].Status
	}
	return list
}

type entry struct {
	Kind             string
	ID               string
	Op               string
	Version          int64
	Position         int64
	JobID            string `json:"job_id"`
	DeviceID         string `json:"device_id"`
	TokenID          string `json:"token_id"`
	AppliedBy        string `json:"applied_by"`
	Late             bool
	Reason           string
	ResidentRevision int64 `json:"resident_revision"`
	Void             *struct{ Reason string }
	Record           object
	Resident         object
}

// push sends items with a token.
func push(a *apitest.API, token string, items ...any) batchAnswer {
	a.T.Helper()
	return pushed(a, token, "", object{"items": items})
}

func pushed(a *apitest.API, token, query string, envelope object) (b batchAnswer) {
	a.T.Helper()
	a.Send(token, "POST", "/v1/batches"+query, envelope).Want(207).Into(&b)
	for i := range b.Items {
		if b.Items[i].Index != i {
			a.T.Fatalf("item %d stands at place %d of the answer", b.Items[i].Index, i)
		}
	}
	return b
}

// must sends items that all have to be accepted.
func must(a *apitest.API, token string, items ...any) batchAnswer {
	a.T.Helper()
	b := push(a, token, items...)
	for i, got := range b.Items {
		if got.Status != "created" && got.Status != "updated" {
			a.T.Fatalf("item %d is %s: %+v", i, got.Status, got.Problem)
		}
	}
	return b
}

// invented is one job with all its records that breaks no rule: the example of
// an evaluation with its three faults taken out.
type invented struct {
	Home, Job domain.UUID
	Papers    []any // crew, credential, instrument and home, for staff to send
	Work      []any // for the crew to send
	record    domain.Job
	items     []rules.Item
}

var (
	uuidText   = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}`)
	digestText = regexp.MustCompile(`"[0-9a-f]{64}"`)
)

// invent makes one for the world's contractor, with ids of its own; change
// alters records before anything is sent.
func invent(a *apitest.API, w *storagetest.World, change ...func(domain.Record)) *invented {
	a.T.Helper()
	in := &invented{}
	renamed := map[string]string{}
	for _, sent := range rules.ExampleEvaluation().Items {
		faultless(sent.Record)
		for _, c := range change {
			c(sent.Record)
		}
		raw, err := json.Marshal(sent.Record)
		if err != nil {
			a.T.Fatal(err)
		}
		rename := func(old string) string {
			if renamed[old] == "" {
				renamed[old] = storagetest.ID().String()
			}
			return renamed[old]
		}
		if sent.Kind == domain.ContractorKind {
			renamed[sent.ID.String()] = w.Contractor.String()
			continue
		}
		id, err := domain.ParseUUID(rename(sent.ID.String()))
		if err != nil {
			a.T.Fatal(err)
		}
		raw = uuidText.ReplaceAllFunc(raw, func(old []byte) []byte { return []byte(rename(string(old))) })
		raw = digestText.ReplaceAllFunc(raw, func(old []byte) []byte { // no picture stands in two jobs
			sum := sha256.Sum256([]byte(id.String() + string(old)))
			return []byte(`"` + hex.EncodeToString(sum[:]) + `"`)
		})
		record, err := domain.Decode(sent.Kind, raw)
		if err != nil {
			a.T.Fatal(err)
		}
		in.items = append(in.items, rules.Item{Kind: sent.Kind, ID: id, Record: record})
		switch r := record.(type) {
		case *domain.Job:
			in.Job, in.record = id, *r
		case *domain.Home:
			in.Home, in.Papers = id, append(in.Papers, item(sent.Kind, id, 0, r))
		case *domain.CrewMember, *domain.Credential, *domain.Instrument:
			in.Papers = append(in.Papers, item(sent.Kind, id, 0, r))
		default:
			in.Work = append(in.Work, item(sent.Kind, id, 0, r))
		}
	}
	return in
}

// faultless takes the three faults out of the example's records.
func faultless(record domain.Record) {
	switch r := record.(type) {
	case *domain.EnergyIsolation:
		isolated, verified := r.IsolatedAt.Add(-time.Hour), r.VerifiedAt.Add(-time.Hour)
		r.IsolatedAt, r.VerifiedAt = &isolated, &verified
	case *domain.Crossover:
		four := 4
		for i := range r.Ends {
			r.Ends[i].FastenersCount = &four
		}
	case *domain.Repair:
		if r.EndClosure != nil && *r.EndClosure.PositionFt == 49 {
			behind := 53.0
			r.EndClosure.PositionFt = &behind
		}
	}
}

// state is the job's record in a state; sent in, it was completed.
func (in *invented) state(s domain.JobState) domain.Job {
	job := in.record
	job.State, job.Outcome = s, ""
	if s == domain.SentIn {
		job.Outcome = domain.Completed
	}
	return job
}

// ids of the invented records of a kind.
func (in *invented) ids(kind domain.Kind) (ids []domain.UUID) {
	for _, i := range in.items {
		if i.Kind == kind {
			ids = append(ids, i.ID)
		}
	}
	return ids
}

// sendIn lets staff assign the job and the crew do and send in its work; the
// job stands at version 2 then.
func (in *invented) sendIn(a *apitest.API, tokens map[domain.Role]string) {
	a.T.Helper()
	must(a, tokens[domain.Staff], append(slices.Clone(in.Papers), item(domain.JobKind, in.Job, 0, in.state(domain.Assigned)))...)
	must(a, tokens[domain.Field], append(slices.Clone(in.Work), item(domain.JobKind, in.Job, 1, in.state(domain.SentIn)))...)
}

// review is the item of a decision about the job.
func (in *invented) review(decision domain.Decision, change ...func(*domain.Review)) object {
	r := domain.Review{JobID: in.Job, Decision: decision}
	if decision == domain.Return || decision == domain.Defer || decision == domain.Reopen || decision == domain.Exclude {
		r.ReasonCodes = []string{"invented_reason"}
	}
	for _, c := range change {
		c(&r)
	}
	return item(domain.ReviewKind, storagetest.ID(), 0, r)
}

// accepted is the whole way of a job that breaks no rule.
func accepted(a *apitest.API, w *storagetest.World, tokens map[domain.Role]string, change ...func(domain.Record)) *invented {
	a.T.Helper()
	in := invent(a, w, change...)
	in.sendIn(a, tokens)
	must(a, tokens[domain.Staff], in.review(domain.Accept))
	return in
}

// serve is a served API on the day after the invented work, with a way to its
// database as the schema's owner.
func serve(t testing.TB) (*apitest.API, *address) {
	t.Helper()
	at := &address{}
	a := apitest.Serve(t, func(o *storage.Options) { o.Tracer = at })
	a.Clock.Move(14 * 24 * time.Hour)
	return a, at
}

// address catches where the database is, for what has no address in the API.
type address struct {
	once sync.Once
	url  string
}

func (d *address) TraceQueryStart(ctx context.Context, conn *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	d.once.Do(func() { d.url = conn.Config().ConnString() })
	return ctx
}

func (*address) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

// connect gives a connection as the owner, who sees all programs.
func (d *address) connect(t testing.TB) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), d.url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(context.Background()); err != nil {
			t.Error(err)
		}
	})
	return conn
}

// draw gives a job to the inspectors at the position where the ledger stands.
func (d *address) draw(t testing.TB, program, job domain.UUID) {
	t.Helper()
	_, err := d.connect(t).Exec(context.Background(), fmt.Sprintf(`
		INSERT INTO inspection_draw (program_id, job_id, granted_position, drawn_at)
		SELECT '%s', '%s', position, recorded_at FROM program_head WHERE program_id = '%[1]s'`, program, job))
	if err != nil {
		t.Fatal(err)
	}
}

// secondContractor is one more firm with a phone, and that phone's token.
func secondContractor(t testing.TB, a *apitest.API) (domain.UUID, string) {
	t.Helper()
	firm, device := storagetest.ID(), storagetest.ID()
	must(a, a.Tokens[domain.Staff], item(domain.ContractorKind, firm, 0, domain.Contractor{Name: "Second Invented"}),
		item(domain.DeviceKind, device, 0, domain.Device{ContractorID: &firm, Name: "phone 2", State: domain.DeviceActive}))
	return firm, a.Token(t, a.World.Program, storage.Token{Role: domain.Field, ContractorID: firm, DeviceID: device})
}
