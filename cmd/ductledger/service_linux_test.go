package main

import (
	"bufio"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/migrations"
	"ductledger/storage"
	"ductledger/storage/cluster"
	"ductledger/storage/storagetest"
)

var (
	stoppedFor = flag.Duration("stopped", 6*time.Second, "how long Postgres stands still")
	attackFor  = flag.Duration("attack", 3*time.Second, "how long each attack lasts")
	calm       = flag.Bool("calm", false, "nothing else runs on this machine: judge times as they are promised")
)

// within is a promised time. A machine that runs other tests beside is late by
// itself: there it is tried that what would take for ever ends, and not when.
func within(promised time.Duration) time.Duration {
	if *calm {
		return promised
	}
	return promised + time.Minute
}

const (
	mostMemory     = 200 << 20       // bytes, resident at the highest
	mostGoroutines = 1000            // with 200 clients connected
	refusedWithin  = 3 * time.Second // a request while the database is away
	pushedWithin   = time.Second     // another program's push
)

// service is ductledger's own process, whose memory and end can be measured.
type service struct {
	*exec.Cmd
	t        *testing.T
	url      string
	metrics  string
	programs []*storagetest.World
	db       *storage.DB
	client   *http.Client
}

// built is the program as it is shipped. The test program itself will not do:
// the race detector takes several times the memory that is to be measured.
func built(t *testing.T) string {
	t.Helper()
	program := filepath.Join(t.TempDir(), "ductledger")
	if out, err := exec.Command("go", "build", "-o", program, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return program
}

func startService(t *testing.T, database string, programs int, args ...string) *service {
	t.Helper()
	db, err := storage.Open(context.Background(), database, storage.Options{Now: time.Now, Connections: 4})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	s := &service{t: t, db: db, Cmd: exec.Command(built(t), append([]string{"serve", "--listen", "127.0.0.1:0", "--metrics-listen", "127.0.0.1:0"}, args...)...),
		client: &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 1000}}}
	for range programs {
		s.programs = append(s.programs, storagetest.Program(t, db))
	}
	s.Env = append(os.Environ(), "DATABASE_URL="+database, "XDG_DATA_HOME="+t.TempDir())
	s.listen()
	return s
}

// listen starts the process and waits until it listens.
func (s *service) listen() {
	t := s.t
	t.Helper()
	log, err := s.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.client.CloseIdleConnections()
		if s.ProcessState == nil {
			_ = s.Process.Kill()
			_ = s.Wait()
		}
	})
	addresses := make(chan string, 2)
	go func() {
		lines := bufio.NewScanner(log)
		for lines.Scan() {
			var line struct{ Msg, Address string }
			if json.Unmarshal(lines.Bytes(), &line) == nil && line.Msg == "listening" {
				addresses <- "http://" + line.Address
			}
		}
	}()
	for _, into := range []*string{&s.url, &s.metrics} {
		select {
		case *into = <-addresses:
		case <-time.After(time.Minute):
			t.Fatal("the service does not listen")
		}
	}
}

// token makes a field token of a program.
func (s *service) token(w *storagetest.World) string {
	s.t.Helper()
	text, digest, err := frame.NewToken(w.Program, rand.Reader)
	if err != nil {
		s.t.Fatal(err)
	}
	if _, err := s.db.CreateToken(context.Background(), w.Program, digest, storage.Token{Role: domain.Staff, Name: "Invented Person"}); err != nil {
		s.t.Fatal(err)
	}
	return text
}

type response struct {
	status int
	header http.Header
	body   []byte
	took   time.Duration
}

func (s *service) send(ctx context.Context, token, method, path, body string) (response, error) {
	request, err := http.NewRequestWithContext(ctx, method, s.url+path, strings.NewReader(body))
	if err != nil {
		return response{}, err
	}
	if token != "" {
		request.Header.Set("Authorization", "Bearer "+token)
	}
	if body != "" {
		request.Header.Set("Content-Type", "application/json")
	}
	began := time.Now()
	got, err := s.client.Do(request)
	if err != nil {
		return response{}, err
	}
	defer got.Body.Close()
	text, err := io.ReadAll(got.Body)
	return response{got.StatusCode, got.Header, text, time.Since(began)}, err
}

// batch is a push of new homes.
func batch(homes int) string {
	var b strings.Builder
	for i := range homes {
		fmt.Fprintf(&b, `%s{"kind":"home","id":%q,"base_version":0,"record":{"section_count":1}}`, map[bool]string{true: ","}[i > 0], storagetest.ID())
	}
	return `{"items":[` + b.String() + `]}`
}

// memory is the most that the process ever had in memory, in bytes.
func (s *service) memory() int64 {
	s.t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", s.Process.Pid))
	if err != nil {
		s.t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if kilobytes, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			n, err := strconv.ParseInt(strings.Fields(kilobytes)[0], 10, 64)
			if err != nil {
				s.t.Fatal(err)
			}
			return n << 10
		}
	}
	s.t.Fatal("no VmHWM")
	return 0
}

// metric is the sum of a metric over the labels that are not named; -1 where
// there is none.
func (s *service) metric(name string, labels ...string) float64 {
	s.t.Helper()
	got, err := http.Get(s.metrics + "/metrics")
	if err != nil {
		s.t.Fatal(err)
	}
	defer got.Body.Close()
	sum, found := 0.0, false
	lines := bufio.NewScanner(got.Body)
next:
	for lines.Scan() {
		rest, ok := strings.CutPrefix(lines.Text(), name)
		if !ok || rest == "" || !strings.ContainsAny(rest[:1], " {") {
			continue
		}
		for _, label := range labels {
			if !strings.Contains(rest, label) {
				continue next
			}
		}
		value, err := strconv.ParseFloat(rest[strings.LastIndex(rest, " ")+1:], 64)
		if err != nil {
			s.t.Fatal(err)
		}
		sum, found = sum+value, true
	}
	if !found {
		return -1
	}
	return sum
}

// Two hundred clients send without a pause, which is more than ten times what
// the service can do, while Postgres stands still. Everybody is told within
// three seconds, nothing piles up, and pushes go on within five seconds.
func TestPostgresStandsStill(t *testing.T) {
	if os.Getenv("TEST_DATABASE_URL") != "" {
		t.Log("a cluster of its own is started beside TEST_DATABASE_URL: it is the one that is stopped")
	}
	own, err := cluster.Start(t.Context(), cluster.Options{Database: "ductledger_still", Fast: true, NoContainer: true})
	if errors.Is(err, cluster.ErrNone) {
		t.Skip("no Postgres programs here; TestDatabaseThatHangs in storage tries the same by a proxy")
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := own.Stop(); err != nil {
			t.Error(err)
		}
	})
	if err := migrations.Up(t.Context(), own.URL("")); err != nil {
		t.Fatal(err)
	}
	const clients, programs = 200, 4
	s := startService(t, own.URL(""), programs)
	tokens := make([]string, clients)
	for i := range tokens {
		tokens[i] = s.token(s.programs[i%programs])
	}
	var still, stop atomic.Bool
	var pushed, refused, late, wrong atomic.Int64
	var resumed, first atomic.Int64 // Unix nanoseconds
	var all sync.WaitGroup
	for _, token := range tokens {
		all.Go(func() {
			for !stop.Load() {
				began := still.Load()
				got, err := s.send(context.Background(), token, "POST", "/v1/batches", batch(20))
				switch {
				case err != nil:
					wrong.Add(1)
					t.Logf("a push: %v", err)
				case got.status == 207:
					pushed.Add(1)
					if at := resumed.Load(); at != 0 && !began {
						first.CompareAndSwap(0, time.Now().UnixNano()-at)
					}
				case (got.status == 503 || got.status == 429) && got.header.Get("Retry-After") != "":
					refused.Add(1)
					if got.took > within(refusedWithin+time.Second) { // the client's own machine is busy too
						late.Add(1)
						t.Logf("told %d after %s: %s", got.status, got.took, got.body)
					}
				default:
					wrong.Add(1)
					t.Logf("%d after %s: %s", got.status, got.took, got.body)
				}
				time.Sleep(10 * time.Millisecond)
			}
		})
	}
	for pushed.Load() < clients { // the longest test time ends it where nothing is
		time.Sleep(10 * time.Millisecond)
	}
	pids, err := own.Processes()
	if err != nil {
		t.Fatal(err)
	}
	for _, pid := range pids {
		if err := syscall.Kill(pid, syscall.SIGSTOP); err != nil {
			t.Fatal(err)
		}
	}
	still.Store(true)
	most, away := 0.0, 0.0
	for began := time.Now(); time.Since(began) < *stoppedFor || away == 0 && time.Since(began) < within(*stoppedFor); time.Sleep(200 * time.Millisecond) {
		if got, err := s.send(context.Background(), "", "GET", "/livez", ""); err != nil || got.status != 200 {
			t.Errorf("livez: %d %v", got.status, err)
		}
		if got, err := s.send(context.Background(), "", "GET", "/readyz", ""); time.Since(began) > refusedWithin && (err != nil || got.status != 503 || got.took > within(refusedWithin)) {
			t.Errorf("readyz: %d after %s, %v", got.status, got.took, err)
		}
		most, away = max(most, s.metric("go_goroutines")), max(away, s.metric("ductledger_database_away"))
	}
	still.Store(false)
	resumed.Store(time.Now().UnixNano())
	for _, pid := range pids {
		if err := syscall.Kill(pid, syscall.SIGCONT); err != nil {
			t.Error(err)
		}
	}
	for began := time.Now(); first.Load() == 0 && time.Since(began) < within(30*time.Second); {
		time.Sleep(10 * time.Millisecond)
	}
	time.Sleep(time.Second)
	stop.Store(true)
	all.Wait()
	memory := s.memory()
	t.Logf("%d pushed, %d refused, first push %.2f s after it went on, %.0f goroutines and %.0f MB at most",
		pushed.Load(), refused.Load(), float64(first.Load())/1e9, most, float64(memory)/(1<<20))
	if first.Load() == 0 || first.Load() > int64(within(5*time.Second)) {
		t.Errorf("the first push came %.2f s after Postgres went on", float64(first.Load())/1e9)
	}
	if late.Load() > 0 || wrong.Load() > 0 {
		t.Errorf("%d were told late, %d answers are wrong", late.Load(), wrong.Load())
	}
	if most > mostGoroutines || memory > mostMemory {
		t.Errorf("%.0f goroutines, %d bytes", most, memory)
	}
	if away != 1 || s.metric("ductledger_database_away") != 0 || s.metric("ductledger_refused_total", `class="pushes"`, `cause="database"`) < 1 {
		t.Error("the metrics do not say that the database was away")
	}
}

// What one sender does hurts nobody else: another program's pushes go through
// within a second, and memory stays bounded.
func TestOneSenderHurtsNobodyElse(t *testing.T) {
	s := startService(t, storagetest.URL(t), 2)
	attacker, victim := s.token(s.programs[0]), s.token(s.programs[1])
	push := func(t *testing.T) time.Duration {
		t.Helper()
		body := batch(5)
		got, err := s.send(t.Context(), victim, "POST", "/v1/batches", body)
		for took := got.took; !*calm && err == nil && got.status == 503 && took < within(pushedWithin); took += got.took + time.Second {
			time.Sleep(time.Second) // as a phone does
			got, err = s.send(t.Context(), victim, "POST", "/v1/batches", body)
		}
		if err != nil || got.status != 207 {
			t.Fatalf("another program's push: %d %s %v", got.status, got.body, err)
		}
		return got.took
	}
	var usual time.Duration // this machine may be busy with other things
	for range 20 {
		usual = max(usual, push(t))
	}
	var keys strings.Builder
	for i := range 60_000 {
		fmt.Fprintf(&keys, `"k%d":1,`, i)
	}
	unknownKeys := fmt.Sprintf(`{"items":[{"kind":"home","id":%q,"base_version":0,"record":{%s"section_count":1}}]}`, storagetest.ID(), keys.String())
	for _, attack := range []struct {
		name    string
		senders int
		once    func(context.Context) (status int)
		allowed []int
	}{
		{"slow bodies", 300, func(ctx context.Context) int {
			defer time.Sleep(200 * time.Millisecond)
			return slowBody(ctx, s.url, attacker)
		}, []int{0, 408, 429, 503}},
		{"unknown tokens", 50, func(ctx context.Context) int {
			token, _, err := frame.NewToken(s.programs[1].Program, rand.Reader)
			if err != nil {
				return -1
			}
			got, _ := s.send(ctx, token, "GET", "/v1/sync", "")
			return got.status
		}, []int{0, 401, 429, 503}},
		{"unknown keys", 20, func(ctx context.Context) int {
			got, _ := s.send(ctx, attacker, "POST", "/v1/batches", unknownKeys)
			return got.status
		}, []int{0, 207, 400, 413, 422, 429, 503}},
	} {
		t.Run(attack.name, func(t *testing.T) {
			ctx, cancel := context.WithTimeout(context.Background(), *attackFor)
			defer cancel()
			var seen [600]atomic.Int64
			var all sync.WaitGroup
			for range attack.senders {
				all.Go(func() {
					for ctx.Err() == nil {
						if status := attack.once(ctx); status >= 0 {
							seen[status].Add(1)
						}
					}
				})
			}
			time.Sleep(500 * time.Millisecond)
			var slowest time.Duration
			pushes := 0
			for ; ctx.Err() == nil; pushes++ {
				slowest = max(slowest, push(t))
				time.Sleep(50 * time.Millisecond)
			}
			all.Wait()
			counts := map[int]int64{}
			for status := range seen {
				if n := seen[status].Load(); n > 0 {
					counts[status] = n
				}
			}
			t.Logf("statuses %v; %d pushes of another program, the slowest %s (%s without the attack); %.0f MB at most",
				counts, pushes, slowest, usual, float64(s.memory())/(1<<20))
			for status := range counts {
				if !slices.Contains(attack.allowed, status) {
					t.Errorf("the attack was answered %d", status)
				}
			}
			if slowest > within(pushedWithin+usual) || pushes == 0 {
				t.Errorf("another program's push took %s", slowest)
			}
		})
	}
	if memory := s.memory(); memory > mostMemory {
		t.Errorf("%d bytes", memory)
	}
	// How many requests the attacks made depends on the machine; this goes on
	// until the attacker's rate is known to be used up.
	for status, n := 0, 0; status != 429 && n < 5000; n++ {
		got, err := s.send(t.Context(), attacker, "GET", "/v1/sync", "")
		if err != nil {
			t.Fatal(err)
		}
		status = got.status
	}
	for _, cause := range []string{"rate_of_token", "rate_of_address"} {
		if s.metric("ductledger_refused_total", `cause="`+cause+`"`) < 1 {
			t.Errorf("the metrics do not name the cause %s", cause)
		}
	}
	for _, name := range []string{"ductledger_in_use", "ductledger_limit", "ductledger_connections_in_use", "ductledger_push_seconds_count", "ductledger_held", "ductledger_builds", "ductledger_epoch"} {
		if s.metric(name) < 0 {
			t.Errorf("no metric %s", name)
		}
	}
}

// slowBody sends a byte every hundred milliseconds until it is refused.
func slowBody(ctx context.Context, url, token string) (status int) {
	c, err := new(net.Dialer).DialContext(ctx, "tcp", strings.TrimPrefix(url, "http://"))
	if err != nil {
		return 0
	}
	defer c.Close()
	answered := make(chan int, 1)
	go func() {
		got, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil {
			answered <- 0
			return
		}
		answered <- got.StatusCode
		_ = got.Body.Close()
	}()
	fmt.Fprintf(c, "POST /v1/batches HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer %s\r\nContent-Type: application/json\r\nContent-Length: 1000000\r\n\r\n{", token)
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case status := <-answered:
			return status
		case <-ctx.Done():
			_ = c.Close()
			return <-answered
		case <-tick.C:
			_, _ = io.WriteString(c, " ")
		}
	}
}

// At SIGTERM, who waits for news is answered at once, slow bodies and
// connections without a request hold nobody up, and the process ends.
func TestStoppingIsQuick(t *testing.T) {
	s := startService(t, storagetest.URL(t), 1)
	token := s.token(s.programs[0])
	got, err := s.send(t.Context(), token, "GET", "/v1/changes?limit=500", "")
	if err != nil || got.status != 200 {
		t.Fatal(got.status, err)
	}
	var page struct {
		NextAfter string `json:"next_after"`
	}
	if err := json.Unmarshal(got.body, &page); err != nil {
		t.Fatal(err)
	}
	type polled struct {
		response
		err error
	}
	polls := make(chan polled, 20)
	for range cap(polls) {
		go func() {
			got, err := s.send(context.Background(), token, "GET", "/v1/changes?wait_s=25&after="+page.NextAfter, "")
			polls <- polled{got, err}
		}()
	}
	go slowBody(t.Context(), s.url, token)
	idle, err := net.Dial("tcp", strings.TrimPrefix(s.url, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer idle.Close()
	for s.metric("ductledger_in_use", `what="polls"`) < float64(cap(polls)) {
		time.Sleep(10 * time.Millisecond)
	}
	began := time.Now()
	if err := s.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	for range cap(polls) {
		p := <-polls
		var feed struct {
			Items []any
			After string `json:"next_after"`
		}
		if p.err != nil || p.status != 200 || json.Unmarshal(p.body, &feed) != nil || len(feed.Items) > 0 || feed.After != page.NextAfter {
			t.Errorf("a poll: %d %s %v", p.status, p.body, p.err)
		}
	}
	answered := time.Since(began)
	if err := s.Wait(); err != nil {
		t.Errorf("the process ended with %v", err)
	}
	ended := time.Since(began)
	t.Logf("polls answered after %s, ended after %s", answered, ended)
	if answered > min(within(time.Second), 15*time.Second) || // by themselves they end after 25 s
		ended > within(3*time.Second) {
		t.Errorf("polls answered after %s, ended after %s", answered, ended)
	}
}
