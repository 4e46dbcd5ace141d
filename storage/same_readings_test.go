package storage_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage/judgment"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// twoHomes are two homes with one job each, for the question whether both were
// read.
type twoHomes struct {
	*testing.T
	w            *storagetest.World
	there, here  domain.UUID // jobs
	test, copied domain.UUID // their measurements
}

// fanTest is one of five readings; no two cases share a base flow.
func fanTest(w *storagetest.World, job domain.UUID, baseCFM float64) *domain.Measurement {
	m := &domain.Measurement{JobID: job, Method: domain.FanTotal, Stage: domain.Before, InstrumentID: w.Instrument,
		TakenAt: time.Date(2026, 10, 14, 9, 20, 0, 0, time.UTC)}
	for i := range 5 {
		pa, cfm := 10+float64(5*i), baseCFM+float64(30*i)+0.5
		m.Readings = append(m.Readings, domain.Reading{PressurePa: &pa, FlowCFM: &cfm})
	}
	return m
}

func (h *twoHomes) push(id domain.UUID, m *domain.Measurement) {
	h.w.Must(h, h.w.Staff, storagetest.Item(h, id, m))
}

func (h *twoHomes) void(id domain.UUID) {
	item := storagetest.Item(h, id, fanTest(h.w, h.here, 1))
	item.Record, item.Body, item.Void, item.BaseVersion = nil, nil, "typed in at the wrong home", 1
	h.w.Must(h, h.w.Staff, item)
}

// replace corrects a measurement by one with other readings.
func (h *twoHomes) replace(old, job domain.UUID, baseCFM float64) domain.UUID {
	id, m := storagetest.ID(), fanTest(h.w, job, baseCFM)
	m.Replaces, m.Reason = &old, "read again"
	h.push(id, m)
	return id
}

// asked are the jobs that the question names, if it is put.
func (h *twoHomes) asked(job domain.UUID) (found bool, detail string) {
	read, err := judgment.Read(context.Background(), h.w.DB, h.w.Staff, job)
	if err != nil {
		h.Fatal(err)
	}
	i := slices.IndexFunc(read.Questions, func(q rules.Question) bool { return q.Screen == "same_readings" })
	if i < 0 {
		return false, ""
	}
	return true, read.Questions[i].Detail
}

// Two homes with the same readings to the digit raise a question, on readings
// that are in force and not on others.
func TestSameReadingsAtTwoHomes(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	for i, c := range []struct {
		name   string
		asks   bool
		change func(m *domain.Measurement)
		after  func(h *twoHomes, baseCFM float64)
	}{
		{name: "the same", asks: true},
		{name: "another digit", change: func(m *domain.Measurement) { *m.Readings[4].FlowCFM += 0.1 }},
		{name: "another pressure", change: func(m *domain.Measurement) { *m.Readings[2].PressurePa += 0.1 }},
		{name: "another order", change: func(m *domain.Measurement) { slices.Reverse(m.Readings) }},
		{name: "another method", change: func(m *domain.Measurement) { m.Method = domain.FanOutside }},
		{name: "another stage", asks: true, change: func(m *domain.Measurement) { m.Stage = domain.After }},
		{name: "this one voided", after: func(h *twoHomes, _ float64) { h.void(h.copied) }},
		{name: "that one voided", after: func(h *twoHomes, _ float64) { h.void(h.test) }},
		{name: "this one replaced", after: func(h *twoHomes, base float64) { h.replace(h.copied, h.here, base+7) }},
		{name: "that one replaced", after: func(h *twoHomes, base float64) { h.replace(h.test, h.there, base+7) }},
		{name: "its correction voided", asks: true, after: func(h *twoHomes, base float64) { h.void(h.replace(h.copied, h.here, base+7)) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := &twoHomes{T: t, w: w, test: storagetest.ID(), copied: storagetest.ID()}
			base := float64(100 * (i + 1))
			w.NewHome(t)
			h.there = w.Job(t)
			h.push(h.test, fanTest(w, h.there, base))
			w.NewHome(t)
			h.here = w.Job(t)
			m := fanTest(w, h.here, base)
			if c.change != nil {
				c.change(m)
			}
			h.push(h.copied, m)
			if c.after != nil {
				c.after(h, base)
			}
			for job, other := range map[domain.UUID]domain.UUID{h.here: h.there, h.there: h.here} {
				found, detail := h.asked(job)
				named, err := w.DB.Record(context.Background(), w.Staff, domain.JobKind, other)
				if err != nil {
					t.Fatal(err)
				}
				if want := fmt.Sprintf("job %d has them too", named.Entry.Number); found != c.asks || found && detail != want {
					t.Errorf("asked is %v with %q, want %v with %q", found, detail, c.asks, want)
				}
			}
		})
	}
}

// Readings as a gauge shows them, the fan's own pressure in a range, count as
// well; three readings are too few, and two jobs at one home are one home.
func TestSameReadingsCountWhatWasRead(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	h := &twoHomes{T: t, w: w}
	byFanPressure := func(m *domain.Measurement, ring string) *domain.Measurement {
		for i := range m.Readings {
			m.Readings[i].FanPressurePa, m.Readings[i].FlowCFM, m.Readings[i].Range = m.Readings[i].FlowCFM, nil, ring
		}
		return m
	}
	jobs := make([]domain.UUID, 3)
	for i := range jobs {
		w.NewHome(t)
		jobs[i] = w.Job(t)
	}
	sameHome := w.Job(t)
	h.push(storagetest.ID(), byFanPressure(fanTest(w, jobs[0], 100), "2"))
	h.push(storagetest.ID(), byFanPressure(fanTest(w, jobs[1], 100), "2"))
	h.push(storagetest.ID(), byFanPressure(fanTest(w, jobs[2], 100), "3"))
	few := fanTest(w, jobs[1], 500)
	few.Readings = few.Readings[:3]
	h.push(storagetest.ID(), few)
	few = fanTest(w, jobs[2], 500)
	few.Readings = few.Readings[:3]
	h.push(storagetest.ID(), few)
	h.push(storagetest.ID(), fanTest(w, jobs[2], 900))
	h.push(storagetest.ID(), fanTest(w, sameHome, 900))
	for job, want := range map[domain.UUID]bool{jobs[0]: true, jobs[1]: true, jobs[2]: false, sameHome: false} {
		if found, detail := h.asked(job); found != want {
			t.Errorf("asked is %v with %q, want %v", found, detail, want)
		}
	}
}

// Under row security the look-up costs index probes, however many readings the
// program holds.
func TestSameReadingsAreFoundByIndex(t *testing.T) {
	t.Parallel()
	url := storagetest.URL(t)
	db := openAt(t, url)
	w := storagetest.Program(t, db)
	h := &twoHomes{T: t, w: w}
	h.there = w.Job(t)
	h.push(storagetest.ID(), fanTest(w, h.there, 100))
	w.NewHome(t)
	h.here = w.Job(t)
	h.push(storagetest.ID(), fanTest(w, h.here, 100))
	conn := dial(t, url)
	grow(t, conn, w)
	const rows = 20_000
	exec(t, conn, `INSERT INTO entry (program_id, position, kind, record_id, version, job_id, body, content_digest, link, received_at, recorded_at, late, match)
		SELECT $1, 100000 + n, 'measurement', gen_random_uuid(), 1, gen_random_uuid(), '{}', sha256('a'), sha256('a'), now(), now(), false, sha256(n::text::bytea)
		FROM generate_series(1, $2::int) AS n`, [16]byte(w.Program), rows)
	exec(t, conn, "ANALYZE entry")
	exec(t, conn, "SET ROLE ductledger_app")
	exec(t, conn, "SELECT set_config('ductledger.program', $1, false)", w.Program.String())
	statements, _, _, _ := statementsOf(t)
	nodes := explain(t, conn, statements["factsSameSQL"], pgx.NamedArgs{"program_id": [16]byte(w.Program), "matches": [][]byte{}, "same_at_most": 25,
		"jobs": [][16]byte{[16]byte(h.here)}, "jobs_alone": [][16]byte{[16]byte(h.here)}})
	probed := false
	for _, n := range nodes {
		if n.Relation != "entry" || n.Loops == 0 {
			continue
		}
		probed = probed || n.Index == "entry_match"
		if touched := (n.Rows + n.Removed) * n.Loops; touched > 10 {
			t.Errorf("%d entries are touched to find one: %s", touched, planOf(nodes))
		}
	}
	if !probed {
		t.Errorf("the digest's index is not used: %s", planOf(nodes))
	}
}
