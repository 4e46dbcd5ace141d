//go:build linux

package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httputil"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// loadCommand offers many times what the service can do, and asks what is done
// in time all the same. The peak is found by clients that each wait for their
// answer; many times the peak comes by the clock, whatever was answered before,
// and nothing is sent again: ten times stay ten times. Both in turns, so that a
// slow moment of the machine meets both. A class is in time by its share of the
// peak, all together by goodput, which is the share of all.
type loadCommand struct {
	Seed     uint64         `default:"1" help:"What is drawn by chance."`
	Mix      map[string]int `default:"push=12;feed=6;findings=2;page=2;figures=1" help:"How many of each come together."`
	Programs int            `default:"8" help:"Programs on the service."`
	Phones   int            `default:"12" help:"Phones of each, with a contractor of their own."`
	Clients  int            `default:"16" help:"Clients that wait for answers, at the peak."`
	Times    float64        `default:"10" help:"How many times the peak is offered."`
	Peak     time.Duration  `default:"10s" help:"How long a peak is measured."`
	Over     time.Duration  `default:"20s" help:"How long more is offered."`
	Rounds   int            `default:"2" help:"How often."`
	InTime   time.Duration  `default:"2s" help:"What an answer may take that is in time."`
	LinkBits int64          `help:"Bits a second of the link to the database, each way; 0: no bound."`
	Serve    []string       `help:"Further arguments of serve."`
	Folder   string         `help:"Where log and database are; removed in the end where none is named."`
}

// load is one run of it.
type load struct {
	*loadCommand
	*trial
	body     template
	phones   []*phone
	sessions []string // cookies of people, one of each program
	mix      []string // classes in the order in which they come

	mu      sync.Mutex
	r       *rand.Rand
	next    int
	refused []outgoing // jobs that are still to be delivered
	idle    []*line    // open connections, the last used last
	open    int
}

func (c *loadCommand) Run(ctx context.Context) (err error) {
	t := &trial{settings: settings{Seed: c.Seed, Services: 1, Folder: c.Folder}, began: time.Now(), counts: counts{answers: map[string]int{}}}
	if t.folder, err = folderOf(c.Folder); err != nil {
		return err
	}
	if c.Folder == "" {
		defer func() { err = errors.Join(err, os.RemoveAll(t.folder)) }()
	}
	fmt.Printf("seed %d: in %s\n", c.Seed, t.folder)
	if err := t.build(ctx); err != nil {
		return err
	}
	if t.postgres, err = newPostgres(ctx, filepath.Join(t.folder, "postgres")); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, t.postgres.stop()) }()
	if c.LinkBits == 0 { // a proxy that breaks nothing costs what it takes to pass
		t.postgres.address = t.postgres.cluster.URL("")
	}
	if _, err := t.ductledger(ctx, "migrate", "up"); err != nil {
		return err
	}
	defer t.endServices()
	t.serve = append([]string{"--pictures", filepath.Join(t.folder, "pictures")}, c.Serve...)
	if err := t.startServices(ctx); err != nil {
		return err
	}
	l := &load{loadCommand: c, trial: t, r: t.chance(1)}
	for _, class := range slices.Sorted(maps.Keys(c.Mix)) {
		l.mix = append(l.mix, slices.Repeat([]string{class}, c.Mix[class])...)
	}
	l.r.Shuffle(len(l.mix), func(i, j int) { l.mix[i], l.mix[j] = l.mix[j], l.mix[i] })
	if err := l.found(ctx); err != nil {
		return err
	}
	s := t.services[0]
	if err := errors.Join(s.terminate(), s.start(0), s.await(ctx)); err != nil { // with a clock that is right
		return err
	}
	if c.LinkBits > 0 {
		t.postgres.link.Slow(c.LinkBits / 8)
	}
	return l.measure()
}

// measure takes turns and prints what came of them.
func (l *load) measure() error {
	l.wait(l.Peak / 2) // plans, pools and statistics are warm
	var peaks, overs []*tally
	for range l.Rounds {
		peaks = append(peaks, l.wait(l.Peak))
		overs = append(overs, l.offer(peaks[len(peaks)-1].rate()*l.Times, l.Over))
	}
	peaks = append(peaks, l.wait(l.Peak))
	peak, over := sum(peaks), sum(overs)
	fmt.Printf("| %-8s | peak /s | p99 s | offered /s | in time /s | of the peak | p99 s | answers\n", "class")
	for _, class := range append(slices.Sorted(maps.Keys(l.Mix)), "") {
		p, o := peak.of(class), over.of(class)
		name := class
		if name == "" {
			name = "all"
		}
		fmt.Printf("| %-8s | %7.1f | %5.2f | %10.1f | %10.1f | %10.0f%% | %5.2f | %v, then %v, %d late, %d unsent\n", name, p.perSecond(peak), p.quantile(0.99), float64(o.offered)/over.took.Seconds(),
			o.perSecond(over), 100*o.perSecond(over)/p.perSecond(peak), o.quantile(0.99), p.statuses, o.statuses, o.late, o.unsent)
	}
	for i := range overs {
		fmt.Printf("round %d: %.1f/s at the peak, %.1f/s at %g times, %.0f%%; cpu of the service %.2f and %.2f, of the clients %.2f and %.2f of a core\n", i+1, peaks[i].rate(), overs[i].rate(), l.Times,
			100*overs[i].rate()/((peaks[i].rate()+peaks[i+1].rate())/2), peaks[i].service, overs[i].service, peaks[i].own, overs[i].own)
	}
	if n := over.of("").statuses[500] + peak.of("").statuses[500]; n > 0 {
		return fmt.Errorf("%d answers are 500; the log tells why", n)
	}
	return nil
}

// wait lets each client send when it has its answer.
func (l *load) wait(d time.Duration) *tally {
	t := l.newTally()
	began := time.Now()
	var all sync.WaitGroup
	for range l.Clients {
		all.Go(func() {
			for time.Since(began) < d {
				l.send(t, time.Now())
			}
		})
	}
	all.Wait()
	return t.end(l, began)
}

// offer sends by the clock.
func (l *load) offer(rate float64, d time.Duration) *tally {
	t := l.newTally()
	began := time.Now()
	var all sync.WaitGroup
	for n := 0; time.Since(began) < d; time.Sleep(time.Millisecond) {
		for ; float64(n) < time.Since(began).Seconds()*rate; n++ {
			due := began.Add(time.Duration(float64(n) / rate * float64(time.Second)))
			all.Go(func() { l.send(t, due) })
		}
	}
	t.took = time.Since(began) // what is answered later counts to it, when it is in time
	all.Wait()
	return t.end(l, began)
}

// send is one request of the mix, which was due at that time.
func (l *load) send(t *tally, due time.Time) {
	l.mu.Lock()
	class := l.mix[l.next%len(l.mix)]
	l.next++
	p := l.phones[l.r.IntN(len(l.phones))]
	head, body, done := l.request(class, p)
	l.mu.Unlock()
	status, err := l.exchange(head, body)
	if took := time.Since(due); err != nil {
		t.note(class, 0, took, errors.Is(err, errNoLine))
	} else {
		done(status == http.StatusMultiStatus)
		t.note(class, status, took, false)
	}
}

// request makes one of a class.
func (l *load) request(class string, p *phone) (head, body []byte, done func(taken bool)) {
	done = func(bool) {}
	get := func(address, credential string) []byte {
		return fmt.Appendf(nil, "GET %s HTTP/1.1\r\nHost: x\r\nUser-Agent: faults\r\n%s\r\n\r\n", address, credential)
	}
	if class == "findings" && p.job == "" {
		class = "push" // it has nothing to ask about yet
	}
	switch class {
	case "push":
		var o outgoing
		if n := len(l.refused); n > 0 {
			o, l.refused = l.refused[n-1], l.refused[:n-1]
		} else {
			o = outgoing{phone: p}
			o.text, o.job = l.body.fill(l.r, p)
		}
		done = func(taken bool) {
			l.mu.Lock()
			defer l.mu.Unlock()
			if taken {
				o.phone.job = o.job
			} else {
				l.refused = append(l.refused, o)
			}
		}
		return fmt.Appendf(nil, "POST /v1/batches HTTP/1.1\r\nHost: x\r\nUser-Agent: faults\r\n%s\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n", o.phone.credential, len(o.text)), o.text, done
	case "feed":
		return get("/v1/changes?limit=100", p.credential), nil, done
	case "findings":
		return get("/v1/jobs/"+p.job+"/findings", p.credential), nil, done
	case "page":
		return get("/staff/today", l.sessions[l.r.IntN(len(l.sessions))]), nil, done
	case "figures":
		return get("/v1/performance?from="+time.Now().AddDate(0, -2, 0).Format("2006-01-02")+"&before="+time.Now().AddDate(0, 0, 1).Format("2006-01-02"), p.office), nil, done
	}
	panic("no class " + class)
}

// outgoing is a whole job that a phone delivers.
type outgoing struct {
	phone *phone
	text  []byte
	job   string
}

// A line is one connection of a client.
type line struct {
	net.Conn
	in *bufio.Reader
}

// mostLines bounds the connections; a machine of clients has no more either.
const mostLines = 3000

var errNoLine = errors.New("too many connections are open")

func (l *load) exchange(head, body []byte) (status int, err error) {
	for { // an open connection may have been closed by the service meanwhile: then the next
		c, used, err := l.line()
		if err != nil {
			return 0, err
		}
		_ = c.SetDeadline(time.Now().Add(answerTime))
		status, keep, err := c.exchange(head, body)
		l.mu.Lock()
		if keep && err == nil {
			l.idle = append(l.idle, c)
		} else {
			_ = c.Close()
			l.open--
		}
		l.mu.Unlock()
		if err == nil || !used {
			return status, err
		}
	}
}

func (c *line) exchange(head, body []byte) (status int, keep bool, err error) {
	parts := net.Buffers{head, body}
	if _, err := parts.WriteTo(c.Conn); err != nil {
		return 0, false, err
	}
	// The standard client's reading costs more than the service's refusing.
	var length int64
	keep = true
	chunked := false
	for {
		header, err := c.in.ReadSlice('\n')
		if err != nil {
			return 0, false, err
		}
		name, value, _ := strings.Cut(strings.TrimSpace(string(header)), ": ")
		switch {
		case name == "" && chunked:
			_, err = io.Copy(io.Discard, httputil.NewChunkedReader(c.in))
			_, more := c.in.Discard(len("\r\n"))
			return status, keep, errors.Join(err, more)
		case name == "":
			_, err = c.in.Discard(int(length))
			return status, keep, err
		case status == 0:
			status, _ = strconv.Atoi(name[len("HTTP/1.1 "):][:3])
		case name == "Content-Length":
			length, _ = strconv.ParseInt(value, 10, 64)
		case name == "Transfer-Encoding":
			chunked = true
		case name == "Connection" && value == "close":
			keep = false
		}
	}
}

// line is a connection, from one of many addresses, as phones have.
func (l *load) line() (c *line, used bool, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if n := len(l.idle); n > 0 {
		c, l.idle = l.idle[n-1], l.idle[:n-1]
		return c, true, nil
	}
	if l.open == mostLines {
		return nil, false, errNoLine
	}
	from := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, byte(1+l.r.IntN(250)))}, Timeout: answerTime}
	conn, err := from.Dial("tcp", l.services[0].address)
	if err != nil {
		return nil, false, err
	}
	l.open++
	return &line{conn, bufio.NewReader(conn)}, false, nil
}

// A tally counts what became of requests, by class; "" is all.
type tally struct {
	mu           sync.Mutex
	inTime       time.Duration
	took         time.Duration
	classes      map[string]*classTally
	service, own float64 // cores in use
}

type classTally struct {
	offered, good, late, unsent int
	statuses                    map[int]int // 0: no answer
	seconds                     []float64   // of those that were done
}

func (l *load) newTally() *tally {
	return &tally{inTime: l.InTime, classes: map[string]*classTally{}, service: l.services[0].cpu(), own: ownCPU()}
}

func (t *tally) end(l *load, began time.Time) *tally {
	all := time.Since(began)
	if t.took == 0 {
		t.took = all
	}
	t.service, t.own = (l.services[0].cpu()-t.service)/all.Seconds(), (ownCPU()-t.own)/all.Seconds()
	return t
}

func (t *tally) of(class string) *classTally {
	if t.classes[class] == nil {
		t.classes[class] = &classTally{statuses: map[int]int{}}
	}
	return t.classes[class]
}

func (t *tally) note(class string, status int, took time.Duration, unsent bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, c := range []*classTally{t.of(class), t.of("")} {
		c.offered++
		switch {
		case unsent:
			c.unsent++
			continue
		case status < 200 || status > 299:
		case took <= t.inTime:
			c.good++
			c.seconds = append(c.seconds, took.Seconds())
		default:
			c.late++
			c.seconds = append(c.seconds, took.Seconds())
		}
		c.statuses[status]++
	}
}

func (t *tally) rate() float64 { return t.of("").perSecond(t) }

func (c *classTally) perSecond(t *tally) float64 { return float64(c.good) / t.took.Seconds() }

func (c *classTally) quantile(share float64) float64 {
	if len(c.seconds) == 0 {
		return math.NaN()
	}
	slices.Sort(c.seconds)
	return c.seconds[int(share*float64(len(c.seconds)-1))]
}

func sum(of []*tally) *tally {
	s := &tally{classes: map[string]*classTally{}}
	for _, t := range of {
		s.took += t.took
		for class, c := range t.classes {
			into := s.of(class)
			into.offered, into.good, into.late, into.unsent = into.offered+c.offered, into.good+c.good, into.late+c.late, into.unsent+c.unsent
			into.seconds = append(into.seconds, c.seconds...)
			for status, n := range c.statuses {
				into.statuses[status] += n
			}
		}
	}
	return s
}

// cpu is what the service has used, in seconds.
func (s *service) cpu() float64 {
	running, _, _ := s.state()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", running.Process.Pid))
	if err != nil {
		return 0
	}
	fields := bytes.Fields(text[bytes.LastIndexByte(text, ')')+1:])
	ticks := 0.0
	for _, f := range fields[11:13] { // utime and stime, proc(5)
		n, _ := strconv.ParseFloat(string(f), 64)
		ticks += n
	}
	const perSecond = 100
	return ticks / perSecond
}
