package storage_test

import (
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/ledger"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/go-json-experiment/json"
	"github.com/jackc/pgx/v5"
	"pgregory.net/rapid"
)

// Grouping means nothing: the same records end in the same records, results
// and scopes, whether a crew sends them in one batch in order, or two devices
// send them in any order, in any split, and again and again. The order of one
// record's versions is kept, as every device keeps it.
//
// Two halves run beside each other; -rapid.checks=5000 makes it a long run,
// and a failure prints the seed to run it again with.
func TestOrderAndGroupingMeanNothing(t *testing.T) {
	url := storagetest.URL(t)
	for _, half := range []string{"first half", "second half"} {
		t.Run(half, func(t *testing.T) {
			t.Parallel()
			o := newOrderTest(t, url)
			rapid.Check(t, o.check)
		})
	}
}

// orderTest has what every run needs: one database, one connection of the
// schema's owner to look behind the service.
type orderTest struct {
	*testing.T
	db    *storage.DB
	owner *pgx.Conn
}

func newOrderTest(t *testing.T, url string) *orderTest {
	t.Helper()
	return &orderTest{t, openAt(t, url), dial(t, url)}
}

func (o *orderTest) check(r *rapid.T) {
	seed := drawScene(r)
	inOrder, anyOrder := newPlace(o, seed.ids), newPlace(o, seed.ids)
	inOrder.sendInOrder(r, seed)
	anyOrder.sendInAnyOrder(r, seed)
	a, b := inOrder.state(r), anyOrder.state(r)
	if a != b {
		r.Fatalf("in order and in any order differ:\n%s", firstDifference(a, b))
	}
}

// place is one program with two devices of one crew.
type place struct {
	*orderTest
	program domain.UUID
	devices [2]domain.Caller
	staff   domain.Caller
	sent    []string // what was done, for the report of a failure
}

// placeIDs are the same in the programs that are compared.
type placeIDs struct{ ruleSet, contractor, lead, fan, deviceA, deviceB domain.UUID }

var placesMade atomic.Int64

func newPlace(o *orderTest, ids placeIDs) *place {
	o.Helper()
	p := &place{orderTest: o}
	code := fmt.Sprintf("ORDER%d", placesMade.Add(1))
	p.program = storage.ProgramID(code)
	if err := o.db.CreateProgram(context.Background(), storage.Program{ID: p.program, Code: code, Name: "Test program", TimeZone: "America/Los_Angeles"},
		ids.ruleSet, storagetest.ID(), &domain.RuleSet{Name: "first", FromOn: "2020-01-01"}); err != nil {
		o.Fatal(err)
	}
	p.staff = storagetest.Token(o, o.db, storage.Token{Role: domain.Staff, Name: "Sam Invented"}, p.program)
	w := &storagetest.World{DB: o.db, Program: p.program}
	w.Must(o, p.staff,
		storagetest.Item(o, ids.contractor, &domain.Contractor{Name: "Invented Sealing"}),
		storagetest.Item(o, ids.lead, &domain.CrewMember{ContractorID: ids.contractor, Name: "Lee Invented", HomesLedBeforeCount: new(20)}),
		storagetest.Item(o, ids.fan, &domain.Instrument{ContractorID: &ids.contractor, Instrument: domain.DuctFan, Serial: "F-1",
			CalibratedOn: "2026-01-01", CalibratedUntilOn: "2027-12-31"}),
		storagetest.Item(o, ids.deviceA, &domain.Device{ContractorID: &ids.contractor, Name: "phone 1", State: domain.DeviceActive}),
		storagetest.Item(o, ids.deviceB, &domain.Device{ContractorID: &ids.contractor, Name: "phone 2", State: domain.DeviceActive}),
	)
	for i, device := range []domain.UUID{ids.deviceA, ids.deviceB} {
		p.devices[i] = storagetest.Token(o, o.db, storage.Token{Role: domain.Field, ContractorID: ids.contractor, DeviceID: device}, p.program)
	}
	return p
}

// push sends steps as the caller; none may be refused for good.
func (p *place) push(r *rapid.T, caller domain.Caller, steps []*step) storage.Pushed {
	items := make([]*intake.Item, len(steps))
	var line strings.Builder
	for i, s := range steps {
		items[i] = s.item(p.T)
		fmt.Fprintf(&line, " %s", s)
	}
	pushed, err := p.db.Push(context.Background(), caller, stamp(caller, p.db.Now(), items))
	if err != nil {
		r.Fatalf("push%s: %v\nafter:\n%s", line.String(), err, strings.Join(p.sent, "\n"))
	}
	for i, item := range pushed.Items {
		fmt.Fprintf(&line, " %s", item.Status)
		if item.Status == intake.Conflict || item.Status == intake.Rejected {
			r.Fatalf("%s: %s: %v\nin%s\nafter:\n%s", steps[i], item.Status, item.Problem, line.String(), strings.Join(p.sent, "\n"))
		}
	}
	p.sent = append(p.sent, string(caller.Role)+":"+line.String())
	return pushed
}

// sendInOrder sends all in the order in which it was made, a batch for each
// change of hands; a scene of the crew alone is one batch.
func (p *place) sendInOrder(r *rapid.T, s *scene) {
	for first := 0; first < len(s.steps); {
		last := first
		for last < len(s.steps) && s.steps[last].byStaff == s.steps[first].byStaff {
			last++
		}
		caller := p.devices[0]
		if s.steps[first].byStaff {
			caller = p.staff
		}
		p.push(r, caller, s.steps[first:last])
		first = last
	}
}

// sendInAnyOrder sends what may be sent next, by any device, in batches of any
// size, with what was sent before mixed in.
func (p *place) sendInAnyOrder(r *rapid.T, s *scene) {
	done := map[*step]bool{}
	var sent []*step
	for len(done) < len(s.steps) {
		byStaff := rapid.Bool().Draw(r, "by staff")
		var batch []*step
		for size := rapid.IntRange(1, 12).Draw(r, "size"); len(batch) < size; {
			var ready []*step
			for _, next := range s.steps {
				if !done[next] && next.byStaff == byStaff && next.ready(done) {
					ready = append(ready, next)
				}
			}
			if len(ready) == 0 {
				break
			}
			next := ready[rapid.IntRange(0, len(ready)-1).Draw(r, "next")]
			done[next] = true
			batch, sent = append(batch, next), append(sent, next)
		}
		for range rapid.IntRange(0, 3).Draw(r, "again") {
			if old := sent[:max(len(sent)-1, 0)]; len(old) > 0 {
				if s := old[rapid.IntRange(0, len(old)-1).Draw(r, "which")]; s.byStaff == byStaff {
					batch = append(batch, s)
				}
			}
		}
		if len(batch) == 0 {
			continue
		}
		caller := p.staff
		if !byStaff {
			caller = p.devices[rapid.IntRange(0, 1).Draw(r, "device")]
		}
		p.push(r, caller, batch)
	}
}

// state is all that must not depend on order, as text: newest versions, jobs,
// results, scopes, and what a device would check its copy by. On the way
// the ledger is recomputed.
func (p *place) state(r *rapid.T) string {
	p.verifyLedger(r)
	held, err := p.db.HeldItems(context.Background(), p.staff, "", domain.UUID{}, domain.UUID{}, 1000)
	if err != nil || len(held) > 0 {
		r.Fatalf("%d items are held in the end: %+v, %v\nafter:\n%s", len(held), held, err, strings.Join(p.sent, "\n"))
	}
	var b strings.Builder
	p.rows(&b, `SELECT e.kind, e.record_id, e.version, e.job_id, e.contractor_id, e.voided_at IS NOT NULL, encode(e.content_digest, 'hex'), e.body,
			encode(e.match, 'hex'), e.late, (SELECT x.texts::text FROM entry_text AS x WHERE x.program_id = e.program_id AND x.position = e.position)
		FROM entry AS e WHERE e.program_id = $1 AND e.until_position IS NULL ORDER BY e.kind, e.record_id`)
	p.rows(&b, `SELECT r.job_id, r.serial, x.position IS NULL, (SELECT l.kind || '/' || l.record_id || '/' || l.version FROM entry AS l
			WHERE l.program_id = r.program_id AND l.position = x.position::bigint) AS input
		FROM job_result AS r, jsonb_array_elements_text((r.inputs::jsonb->'records') || (r.inputs::jsonb->'outside')) AS x(position)
		WHERE r.program_id = $1 ORDER BY r.job_id, r.serial, input`)
	p.rows(&b, `SELECT (to_jsonb(r) - 'program_id' - 'judged_at_position' - 'inputs' - 'assigned_at' - 'sent_in_at'
			- 'first_must_fix_count' - 'first_not_recorded_count')::text
		FROM job_result AS r WHERE r.program_id = $1 ORDER BY r.job_id, r.serial`)
	p.rows(&b, `SELECT job_id, contractor_id, open, reason FROM job_scope WHERE program_id = $1 ORDER BY job_id, contractor_id`)
	p.rows(&b, `SELECT (to_jsonb(j) - 'program_id' - 'recorded_at' - 'state_since' - 'began_at' - 'number')::text FROM job AS j WHERE j.program_id = $1 ORDER BY j.id`)
	p.rows(&b, `SELECT job_id, instrument_id FROM job_instrument WHERE program_id = $1 ORDER BY job_id, instrument_id`)
	for _, caller := range p.devices {
		start, err := p.db.Sync(context.Background(), caller)
		if err != nil {
			r.Fatal(err)
		}
		for _, job := range start.Jobs {
			fmt.Fprintln(&b, job.JobID, job.State, job.Count, job.Checksum)
		}
	}
	return b.String()
}

// rows reads behind the service, without row security, as the owner may.
func (p *place) rows(b *strings.Builder, sql string) {
	p.Helper()
	rows, err := p.owner.Query(context.Background(), sql, [16]byte(p.program))
	if err != nil {
		p.Fatal(err)
	}
	for rows.Next() {
		values, err := rows.Values()
		if err != nil {
			p.Fatal(err)
		}
		for _, v := range values {
			if id, ok := v.([16]byte); ok {
				v = domain.UUID(id)
			}
			fmt.Fprintf(b, "%v ", v)
		}
		b.WriteByte('\n')
	}
	if err := rows.Err(); err != nil {
		p.Fatal(err)
	}
}

func (p *place) verifyLedger(r *rapid.T) {
	if err := verifyLedger(p.db, p.staff); err != nil {
		r.Fatalf("%v\nafter:\n%s", err, strings.Join(p.sent, "\n"))
	}
}

// verifyLedger recomputes a program's ledger from what staff read: positions
// and versions without a gap, and a chain that ends in the stored head.
func verifyLedger(db *storage.DB, staff domain.Caller) error {
	page, err := db.Changes(context.Background(), staff, storage.FeedQuery{Limit: 100_000})
	if err != nil {
		return err
	}
	var link ledger.Digest
	versions := map[intake.Key]int64{}
	for i, item := range page.Items {
		e := item.Entry
		key := intake.Key{Kind: e.Kind, ID: e.ID}
		if versions[key]++; e.Position != int64(i+1) || e.Version != versions[key] {
			return fmt.Errorf("entry %d has position %d; %s %s has version %d, want %d", i+1, e.Position, e.Kind, e.ID, e.Version, versions[key])
		}
		if link, err = nextLink(link, e); err != nil {
			return err
		}
	}
	if page.More || page.Head.Position != int64(len(page.Items)) || page.Head.Link != link {
		return fmt.Errorf("the chain over %d entries ends in %s, the head stands at %d with %s", len(page.Items), link, page.Head.Position, page.Head.Link)
	}
	return nil
}

// nextLink is the link of an entry as the contract tells: the texts are left
// empty in it, and their digest is of the salt and all of them.
func nextLink(link ledger.Digest, e *domain.Entry) (ledger.Digest, error) {
	bare, list := domain.SplitTexts(e.Kind, e.Body)
	texts := []string{}
	for _, text := range list {
		texts = append(texts, text.Text)
	}
	if e.Void != nil {
		texts = append(texts, e.Void.Reason)
	}
	if (len(texts) > 0) != (e.Texts != nil) {
		return link, fmt.Errorf("position %d has %d texts, their digest is %v", e.Position, len(texts), e.Texts)
	}
	if len(texts) > 0 && e.Texts.Salt != nil {
		raw, err := json.Marshal(texts)
		if err != nil {
			return link, err
		}
		if sum := sha256.Sum256(append(slices.Clone(e.Texts.Salt), raw...)); sum != e.Texts.Digest {
			return link, fmt.Errorf("position %d: the digest of its texts is %x, want %x", e.Position, e.Texts.Digest, sum)
		}
	}
	held := ledger.Bare(*e, bare)
	return ledger.Next(link, ledger.AppendEntry(nil, &held)), nil
}

func firstDifference(a, b string) string {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	for i := range min(len(x), len(y)) {
		if x[i] != y[i] {
			same := 0
			for same < min(len(x[i]), len(y[i])) && x[i][same] == y[i][same] {
				same++
			}
			from := max(same-200, 0)
			return "in order:     " + x[i][from:] + "\nin any order: " + y[i][from:]
		}
	}
	return fmt.Sprintf("%d and %d lines", len(x), len(y))
}

func dial(t testing.TB, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(context.Background()); err != nil {
			fmt.Fprintln(os.Stderr, err)
		}
	})
	return conn
}
