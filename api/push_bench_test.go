package api

import (
	"bytes"
	"context"
	"crypto/rand"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ductledger/api/frame"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage"
	"ductledger/storage/storagetest"
	"ductledger/storage/upkeep"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Whole jobs posted by many clients, beside a handler that reads the same
// batches and only stores their items, by one unnest insert: what sorting,
// judging, numbering, linking and typing cost. Both take the same way through
// the frame. The ratio is jobs a second of the first to the second.
//
//	go test ./api -run "^$" -bench Push -benchtime 300x
func BenchmarkPush(b *testing.B) {
	for _, programs := range []int{1, 16} {
		for _, clients := range []int{1, 8, 32} {
			b.Run(fmt.Sprintf("programs=%d/clients=%d", programs, clients), func(b *testing.B) {
				bench := newPushBench(b, programs, clients, storagetest.JobRecords)
				b.ReportAllocs()
				b.ResetTimer()
				// In turns, so that a slow moment of the machine meets both.
				var pushed, bare time.Duration
				for from := 0; from < b.N; from += roundOfJobs {
					to := min(from+roundOfJobs, b.N)
					pushed += bench.post(from, to, bench.whole)
					bare += bench.post(from, to, bench.bare)
				}
				b.ReportMetric(float64(b.N)/pushed.Seconds(), "jobs/s")
				b.ReportMetric(float64(b.N)/bare.Seconds(), "bare_jobs/s")
				b.ReportMetric(bare.Seconds()/pushed.Seconds(), "ratio")
			})
		}
	}
}

// Before anything is measured each program has some jobs, and each client has
// pushed some.
const warmedJobs, warmedPushes = 4, 8

// roundOfJobs is how many jobs are sent to one side before the other has its turn.
const roundOfJobs = 64

// pushBench has one contractor's crew in each program and a prepared batch
// for each push.
type pushBench struct {
	*testing.B
	whole, bare string // addresses
	url         string // of the database
	clients     int
	records     int // of a push, the first of a whole job
	client      *http.Client
	tokens      []string // by program
	bodies      [][]byte // by push, each a job on a home of its own
}

func newPushBench(b *testing.B, programs, clients, records int) *pushBench {
	b.Helper()
	const connections = 16
	db, clock := storagetest.Open(b, func(o *storage.Options) { o.Connections = connections })
	url := storagetest.AddressOf(db)
	bench := &pushBench{B: b, url: url, clients: clients, records: records, client: &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: clients}}}
	bench.serve(db, clock.Now, bareStore(b, url, connections))
	var worlds []*storagetest.World
	for range programs {
		w := storagetest.Program(b, db)
		text, digest, err := frame.NewToken(w.Program, rand.Reader)
		if err != nil {
			b.Fatal(err)
		}
		token := storage.Token{Role: domain.Field, ContractorID: w.Contractor, DeviceID: w.Device}
		if _, err := db.CreateToken(context.Background(), w.Program, digest, token); err != nil {
			b.Fatal(err)
		}
		worlds, bench.tokens = append(worlds, w), append(bench.tokens, text)
	}
	warm := max(warmedJobs*programs, warmedPushes*clients)
	for i := range warm + b.N {
		w := worlds[i%programs]
		w.NewHome(b)
		day := time.Date(2026, 10, 14, 0, 0, 0, 0, time.UTC).AddDate(0, 0, -i/programs).Format(time.DateOnly) // a crew does one job a day
		var items [][]byte
		for _, item := range w.WholeJobOn(b, day)[:records] {
			items = append(items, item.Raw)
		}
		bench.bodies = append(bench.bodies, fmt.Appendf(nil, `{"items":[%s]}`, bytes.Join(items, []byte(","))))
	}
	// A running database has statistics, and its connections know their statements.
	for range 2 {
		bench.post(0, warm/2, bench.whole)
		bench.post(0, warm/2, bench.bare)
		if err := upkeep.Analyze(context.Background(), url); err != nil {
			b.Fatal(err)
		}
		bench.bodies = bench.bodies[warm/2:]
	}
	return bench
}

// serve starts the service twice: as it is, and with a push that only stores.
func (b *pushBench) serve(db *storage.DB, now func() time.Time, store func(context.Context, domain.Caller, *readBatch) error) {
	b.Helper()
	for _, bare := range []bool{false, true} {
		s, around, err := newServer(Config{DB: db, Now: now, Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn})), Unlimited: true})
		if err != nil {
			b.Fatal(err)
		}
		address := &b.whole
		if bare {
			address = &b.bare
			for i := range around.Routes {
				if around.Routes[i].Operation == "postBatch" {
					around.Routes[i].Handle = s.onlyStore(store)
				}
			}
		}
		handler, err := frame.New(around)
		if err != nil {
			b.Fatal(err)
		}
		server := httptest.NewServer(handler)
		b.Cleanup(server.Close)
		*address = server.URL
	}
}

// onlyStore is a push that reads and stores.
func (s *Server) onlyStore(store func(context.Context, domain.Caller, *readBatch) error) frame.Handler {
	return func(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
		batch, err := s.readBatch(caller, r)
		if err != nil {
			return frame.Answer{}, err
		}
		if err := store(ctx, caller, batch); err != nil {
			return frame.Answer{}, err
		}
		out := wire.BatchAnswer{ReceivedAt: ledger.Stamp(r.ReceivedAt), Items: make([]wire.ItemAnswer, len(batch.items)), Jobs: []wire.JobCounts{}}
		for i, item := range batch.items {
			out.Items[i] = wire.ItemAnswer{Index: i, ID: item.ID.String(), Status: "created", Version: 1}
		}
		return frame.Answer{Status: http.StatusMultiStatus, Body: out}, nil
	}
}

const bareTableSQL = `
CREATE TABLE bare (program_id uuid NOT NULL, kind text NOT NULL, record_id uuid NOT NULL, version bigint NOT NULL,
    job_id uuid, body text NOT NULL, received_at timestamptz NOT NULL, PRIMARY KEY (program_id, record_id))`

const bareSQL = `
INSERT INTO bare (program_id, kind, record_id, version, job_id, body, received_at)
SELECT @program_id, x.kind, x.record_id, 1, x.job_id, x.body, @at
FROM unnest(@kinds::text[], @ids::uuid[], @jobs::uuid[], @bodies::text[]) AS x(kind, record_id, job_id, body)`

// bareStore writes the items of a batch in one statement, and that is all.
func bareStore(b *testing.B, url string, connections int32) func(context.Context, domain.Caller, *readBatch) error {
	b.Helper()
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		b.Fatal(err)
	}
	config.MaxConns = connections
	pool, err := pgxpool.NewWithConfig(context.Background(), config)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(pool.Close)
	if _, err := pool.Exec(context.Background(), bareTableSQL); err != nil {
		b.Fatal(err)
	}
	return func(ctx context.Context, caller domain.Caller, batch *readBatch) error {
		var kinds, bodies []string
		var ids, jobs [][16]byte
		for _, item := range batch.items {
			kinds, bodies = append(kinds, string(item.Kind)), append(bodies, string(item.Body))
			ids, jobs = append(ids, item.ID), append(jobs, item.Record.Job())
		}
		_, err := pool.Exec(ctx, bareSQL, pgx.NamedArgs{"program_id": [16]byte(caller.Program), "kinds": kinds, "ids": ids, "jobs": jobs,
			"bodies": bodies, "at": batch.items[0].ReceivedAt})
		return err
	}
}

// post sends the jobs from one up to another by all clients and tells how long it took.
func (b *pushBench) post(from, to int, address string) time.Duration {
	b.Helper()
	next := atomic.Int64{}
	next.Store(int64(from))
	var all sync.WaitGroup
	start := time.Now()
	for range b.clients {
		all.Go(func() {
			for i := int(next.Add(1)) - 1; i < to; i = int(next.Add(1)) - 1 {
				b.one(i, address)
			}
		})
	}
	all.Wait()
	return time.Since(start)
}

func (b *pushBench) one(i int, address string) {
	request, err := http.NewRequest(http.MethodPost, address+"/v1/batches", bytes.NewReader(b.bodies[i]))
	if err != nil {
		b.Error(err)
		return
	}
	request.Header.Set("Authorization", "Bearer "+b.tokens[i%len(b.tokens)])
	request.Header.Set("Content-Type", "application/json")
	response, err := b.client.Do(request)
	if err != nil {
		b.Error(err)
		return
	}
	defer response.Body.Close()
	answer, err := io.ReadAll(response.Body)
	if err != nil || response.StatusCode != http.StatusMultiStatus || bytes.Count(answer, []byte(`"created"`)) != b.records {
		b.Errorf("push %d: %d %.300s %v", i, response.StatusCode, answer, err)
	}
}
