package draws

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"math"
	"reflect"
	"slices"
	"strconv"
	"testing"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// usual draws one in twenty of each contractor's jobs.
var usual = Design{SharePercent: 5}

var secret = []byte("an invented seed of a test")

// SHA-256 of "abc" is ba7816bf 8f01cfea … (FIPS 180-4, example [pub]); HMAC of
// the second case of RFC 4231 is 5bdcc146 bf60754e … [pub].
func TestNumbersComeFromTheFirst53Bits(t *testing.T) {
	abc := sha256.Sum256([]byte("abc"))
	if u := fraction(abc[:]); math.Abs(u-0.728394910590) > 5e-13 {
		t.Errorf("abc gives %.12f", u)
	}
	first, err := strconv.ParseUint("5bdcc146bf60754e", 16, 64)
	if err != nil {
		t.Fatal(err)
	}
	if u, want := uniform([]byte("Jefe"), "what do ya want for nothing?"), math.Ldexp(float64(first>>11), -53); u != want {
		t.Errorf("the case of RFC 4231 gives %v, want %v", u, want)
	}
}

func id(group, n int) (id domain.UUID) {
	binary.BigEndian.PutUint32(id[4:], uint32(group))
	binary.BigEndian.PutUint32(id[12:], uint32(n))
	return id
}

// stratumOf is one contractor's month of so many jobs, their risks in a cycle.
func stratumOf(contractor, jobs int, risks ...float64) (of []Candidate) {
	for n := range jobs {
		c := Candidate{JobID: id(contractor, n+1), ContractorID: id(contractor, 0), Month: "2026-10"}
		if len(risks) > 0 {
			c.Risk = risks[n%len(risks)]
		}
		of = append(of, c)
	}
	return of
}

func draw(t *testing.T, seed []byte, candidates []Candidate, d Design) []Job {
	t.Helper()
	jobs, err := Draw(seed, candidates, d)
	if err != nil {
		t.Fatal(err)
	}
	return jobs
}

// The share of every stratum is rounded up, at least one: 5 % of 1, 20, 21, 60,
// 140 jobs. In binary fractions 5 % of 140 is more than 7.
func TestShareOfEachStratum(t *testing.T) {
	for _, c := range []struct{ jobs, want int }{{1, 1}, {19, 1}, {20, 1}, {21, 2}, {60, 3}, {140, 7}} {
		drawn := 0
		for _, j := range draw(t, secret, append(stratumOf(1, c.jobs), stratumOf(2, 40)...), usual) {
			if j.ContractorID != id(1, 0) {
				continue
			}
			if want := float64(c.want) / float64(c.jobs); math.Abs(j.Chance-want) > 1e-15 {
				t.Errorf("of %d jobs each has the chance %v, want %v", c.jobs, j.Chance, want)
			}
			if j.Drawn() {
				drawn++
			}
		}
		if drawn != c.want {
			t.Errorf("of %d jobs %d are drawn, want %d", c.jobs, drawn, c.want)
		}
	}
	if jobs := draw(t, secret, nil, usual); len(jobs) != 0 {
		t.Errorf("nobody's month gives %v", jobs)
	}
}

// Order changes nothing, and a job that is added later moves no other one's
// number: of the old ones it can only push the last drawn out.
func TestDrawIsTheJobsOwn(t *testing.T) {
	candidates := append(stratumOf(1, 47, 0, 1, 3), stratumOf(2, 9, 2)...)
	d := Design{SharePercent: 20, TopUp: 4}
	jobs := draw(t, secret, candidates, d)
	slices.Reverse(candidates)
	if again := draw(t, secret, candidates, d); !reflect.DeepEqual(jobs, again) {
		t.Error("the order of the jobs changed the draw")
	}
	d.TopUp = 0
	drawn := func(candidates []Candidate) map[domain.UUID]bool {
		of := map[domain.UUID]bool{}
		for _, j := range draw(t, secret, candidates, d) {
			of[j.JobID] = j.Drawn()
		}
		return of
	}
	before := drawn(stratumOf(1, 47)) // 10 of them
	for n := 48; n <= 50; n++ {       // 10 of 50 too
		lost := 0
		after := drawn(stratumOf(1, n))
		for job, was := range before {
			if after[job] && !was {
				t.Errorf("with %d jobs, job %s came in", n, job)
			}
			if was && !after[job] {
				lost++
			}
		}
		if lost > n-47 {
			t.Errorf("%d new jobs pushed %d out", n-47, lost)
		}
	}
}

// Over many seeds each job is drawn as often as its chance says, and each pair
// as often as theirs: within five standard errors, a fixed set of seeds.
func TestChancesHold(t *testing.T) {
	const seeds = 20_000
	candidates := append(stratumOf(1, 6, 0, 1, 4), stratumOf(2, 3, 2)...)
	d := Design{SharePercent: 34, TopUp: 2}
	n := len(candidates)
	single, pairs := make([]int, n), make([]int, n*n)
	var jobs []Job
	for s := range seeds {
		seed := sha256.Sum256([]byte("seed " + strconv.Itoa(s)))
		jobs = draw(t, seed[:], candidates, d)
		for i := range jobs {
			if !jobs[i].Drawn() {
				continue
			}
			single[i]++
			for k := range jobs {
				if jobs[k].Drawn() {
					pairs[i*n+k]++
				}
			}
		}
	}
	near := func(what string, hits int, chance float64) {
		t.Helper()
		if chance < 0 || chance > 1 {
			t.Fatalf("%s: a chance of %v", what, chance)
		}
		if off := math.Abs(float64(hits)/seeds - chance); off > 5*math.Sqrt(chance*(1-chance)/seeds) {
			t.Errorf("%s: %d of %d, the chance is %v", what, hits, seeds, chance)
		}
	}
	for i := range jobs {
		near("job "+strconv.Itoa(i), single[i], jobs[i].Chance)
		for k := range jobs {
			if k != i {
				near("jobs "+strconv.Itoa(i)+" and "+strconv.Itoa(k), pairs[i*n+k], together(&jobs[i], &jobs[k]))
			}
		}
	}
}

func TestWhatDrawRefuses(t *testing.T) {
	one := stratumOf(1, 1)
	risky := func(risk float64) []Candidate { return stratumOf(1, 2, risk) }
	for name, c := range map[string]struct {
		seed       []byte
		candidates []Candidate
		d          Design
		argument   string
	}{
		"a short seed":       {secret[:MinSeed-1], one, usual, "/seed"},
		"a share of nothing": {secret, one, Design{}, "/share_percent"},
		"more than all":      {secret, one, Design{SharePercent: 101}, "/share_percent"},
		"a negative top-up":  {secret, one, Design{SharePercent: 5, TopUp: -1}, "/top_up"},
		"no number":          {secret, one, Design{SharePercent: 5, TopUp: math.NaN()}, "/top_up"},
		"a negative risk":    {secret, risky(-1), usual, "/risk"},
		"a risk of no size":  {secret, risky(math.NaN()), usual, "/risk"},
		"risks beyond all":   {secret, risky(math.MaxFloat64), usual, "/risk"},
		"a job twice":        {secret, append(stratumOf(1, 1), one...), usual, "/jobs/" + one[0].JobID.String()},
	} {
		_, err := Draw(c.seed, c.candidates, c.d)
		var refusal *stat.Refusal
		if !errors.As(err, &refusal) || refusal.Argument != c.argument {
			t.Errorf("%s: %v, want %s refused", name, err, c.argument)
		}
	}
}

// What is drawn as it comes is what the smallest numbers are, each stratum filled up to its
// share; and the bytes that a database compares say the same of every number.
func TestJobsDrawnAsTheyCome(t *testing.T) {
	d := Design{SharePercent: 20, AsSentIn: true}
	below := 0
	for s := range 300 {
		seed := sha256.Sum256([]byte("seed " + strconv.Itoa(s)))
		jobs := draw(t, seed[:], stratumOf(1, 17), d)
		came, drawn := 0, 0
		for i := range jobs {
			j := &jobs[i]
			if DrawnAsItComes(seed[:], j.JobID, 20, false) {
				came++
				if !j.DrawnA {
					t.Fatalf("seed %d: %s was drawn as it came and is not in the end", s, j.JobID)
				}
			}
			if j.DrawnA {
				drawn++
			}
		}
		if drawn != max(4, came) || jobs[0].StratumDrawn != drawn || math.Abs(jobs[0].Chance-float64(drawn)/17) > 1e-15 { // 20 % of 17, rounded up
			t.Errorf("seed %d: %d came, %d are drawn, %+v", s, came, drawn, jobs[0])
		}
		if came > 4 {
			below++
		}
	}
	if below == 0 {
		t.Error("no seed drew more than the share as they came")
	}
	inner, outer := Keys(secret)
	for n := range 500 {
		job := id(3, n)
		first := sha256.Sum256(append(bytes.Clone(inner), job.String()...))
		digest := sha256.Sum256(append(bytes.Clone(outer), first[:]...))
		for _, percent := range []int{0, 1, 5, 33, 50, 99, 100} {
			if got := bytes.Compare(digest[:8], Below(percent)) < 0; got != DrawnAsItComes(secret, job, percent, false) {
				t.Fatalf("job %s at %d %%: the bytes say %v", job, percent, got)
			}
		}
	}
}

// The estimate of a draw that was made as jobs came is right on average, though its size is
// chance: over 2,000 seeds the mean total lies within five standard errors of the true one.
func TestDrawsAsTheyComeAreUnbiased(t *testing.T) {
	const seeds = 2_000
	fails := func(j *Job) float64 { return float64(j.JobID[15] % 3 / 2) }
	truth, sum, squares := 0.0, 0.0, 0.0
	for s := range seeds {
		seed := sha256.Sum256([]byte("as they come " + strconv.Itoa(s)))
		jobs := draw(t, seed[:], append(stratumOf(1, 23, 0, 1, 3), stratumOf(2, 8, 2)...), Design{SharePercent: 12, TopUp: 3, AsSentIn: true})
		total, err := Total(jobs, valued(jobs, fails))
		if err != nil {
			t.Fatal(err)
		}
		sum, squares = sum+total.Value, squares+total.Value*total.Value
		truth = 0
		for i := range jobs {
			truth += fails(&jobs[i])
		}
	}
	mean := sum / seeds
	if se := math.Sqrt((squares/seeds - mean*mean) / seeds); truth == 0 || math.Abs(mean-truth) > 5*se {
		t.Errorf("%v fail, the estimates' mean is %.4f with a standard error of %.4f", truth, mean, se)
	}
}
