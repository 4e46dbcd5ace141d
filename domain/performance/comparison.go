package performance

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// MethodVersion names the formulas, their parameters and their order of
// operations. It changes whenever equal jobs would give other bytes.
//
// performance-6: effects of fewer than five homes say so, and one sentence says against
// what its range stands; input_digest is taken of each job in fewer bytes.
// performance-5: where all homes go together no interval is given; effects of repairs
// rest on homes, and their intervals and the inspector's ratio allow for runs; what
// stands in steps, pairs and an inspector's readings decides something by the
// program's own limits; from fewer than ten jobs only the pooled index is told.
// performance-4: intervals of pooled, geometric and median figures allow for homes that
// go together; independent_count says what they rest on.
// performance-3: figures are of one quantity; readings that decide nothing are left
// out; homes that go together are allowed for; "differ" needs a test; limits by t;
// one ladder of flags; the pooled ratio's interval by jackknife; tau, weight and
// reliability from one belief, which is published.
const MethodVersion = "performance-6"

// A Contractor is one line of a comparison. It has no rank.
type Contractor struct {
	ContractorID domain.UUID `json:"contractor_id"`
	Name         string      `json:"name"`
	Summary
	Adjusted Adjusted `json:"adjusted"`
}

// A Comparison is the answer by contractor, in the alphabetical order of
// their names. The caller fills as_of_at and position.
type Comparison struct {
	Period
	AsOfAt        time.Time    `json:"as_of_at,omitzero"`
	Position      int64        `json:"position,omitzero"`
	MethodVersion string       `json:"method_version"`
	InputDigest   string       `json:"input_digest"` // equal for equal jobs; see digest
	Program       Summary      `json:"program"`
	Model         Model        `json:"model"`
	Contractors   []Contractor `json:"contractors"`
}

// Comparison summarizes the jobs by contractor and for the program. Every
// contractor of names has a line, also without a job. Refused: a Tally by
// anything else (/by). Source: at each figure, Summary, Model and Standing [calc].
func (t *Tally) Comparison(names map[domain.UUID]string) (Comparison, error) {
	if t.by != ByContractor {
		return Comparison{}, stat.Refuse(stat.OutOfRange, "/by", "", "a comparison needs a tally by %s, not %s", ByContractor, t.by)
	}
	for id := range names {
		t.group(key{id: id}) // a contractor without a job has an empty group
	}
	keys := t.keys()
	c := Comparison{Period: t.period, MethodVersion: MethodVersion, InputDigest: t.digest.String(), Contractors: make([]Contractor, 0, len(keys))}
	var adjusted map[domain.UUID]Adjusted
	var failed error
	placed := func() error { return nil } // the model needs nothing of the summaries, nor they of it
	summaries, program, err := t.summaries(keys, func() {
		placed = aside(func() { c.Model, adjusted, failed = t.adjust() })
	})
	if err := cmp.Or(placed(), failed, err); err != nil {
		return Comparison{}, err
	}
	c.Program = program
	for i, k := range keys {
		a, known := adjusted[k.id]
		if !known {
			a.Reason = cmp.Or(c.Model.Reason, NoJobs)
			a.Statement = unadjusted(a.Reason)
		}
		c.Contractors = append(c.Contractors, Contractor{ContractorID: k.id, Name: names[k.id], Summary: summaries[i], Adjusted: a})
	}
	slices.SortStableFunc(c.Contractors, func(a, b Contractor) int { return byName(a.Name, b.Name) })
	return c, nil
}

// summaries are those of the groups, in the order of keys, and that of all jobs. Once
// ready is called, homes stand in the order of their runs.
func (t *Tally) summaries(keys []key, ready func()) (groups []Summary, whole Summary, err error) {
	runs := make([]bunches, len(keys))
	if err := inParallel(len(keys), func(i int, _ *tables) { runs[i] = t.groups[keys[i]].bunches() }); err != nil {
		return nil, whole, err
	}
	ready()
	within, all := t.within(keys), t.whole(keys)
	groups, failed := make([]Summary, len(keys)), make([]error, 1+len(keys))
	broke := inParallel(1+len(keys), func(i int, own *tables) {
		if i > 0 {
			groups[i-1], failed[i] = t.groups[keys[i-1]].summary(&runs[i-1], within, own)
			return
		}
		n := 0
		for i := range runs {
			n += len(runs[i].runs)
		}
		joined := bunches{runs: make([]bunch, 0, n)} // of all jobs, which take as long as their groups together
		for i := range runs {
			joined.merge(&runs[i])
		}
		joined.join()
		whole, failed[0] = all.summary(&joined, within, own)
	})
	return groups, whole, errors.Join(append(failed, broke)...)
}

// inParallel does n independent pieces of work on two processors, each with tables
// of its own.
func inParallel(n int, do func(i int, own *tables)) error {
	var next atomic.Int64
	work := func() {
		own := newTables()
		for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
			do(i, own)
		}
	}
	done := aside(work)
	work()
	return done()
}

// aside does work beside its caller, who waits for it by what is returned. A panic of
// the work is an error: so a fault ends one request and not the process.
func aside(work func()) (wait func() error) {
	done := make(chan error, 1)
	go func() {
		var err error
		defer func() {
			if broke := recover(); broke != nil {
				err = fmt.Errorf("the comparison broke: %v", broke)
			}
			done <- err
		}()
		work()
	}()
	return func() error { return <-done }
}

// byName is the order of people's lists: letters before their case. Equal
// names keep the order that they have, by id.
func byName(a, b string) int {
	return cmp.Or(cmp.Compare(strings.ToLower(a), strings.ToLower(b)), cmp.Compare(a, b))
}

// within is the spread of log reductions within groups.
func (t *Tally) within(keys []key) spread {
	var w spread
	squares := 0.0
	for _, k := range keys {
		if s := &t.groups[k].kept; s.n > 0 {
			squares += centered(s.n, s.dd, s.d, s.d)
			w.df += s.n - 1
		}
	}
	if w.df > 0 {
		w.variance = squares / float64(w.df)
	}
	return w
}

// minLeadHomes is the number of used homes from which a crew lead's figures
// are shown, for coaching inside the agency.
const minLeadHomes = 10

// A Group is one line of an answer that is not by contractor.
type Group struct {
	// Absent for homes whose class is not known.
	HomeClass  string       `json:"home_class,omitempty"`
	CrewLeadID *domain.UUID `json:"crew_lead_id,omitempty"`
	Name       string       `json:"name,omitempty"`
	JobsCount  int          `json:"jobs_count"`
	UsedCount  int          `json:"used_count"`
	// Why only the counts stand here.
	Reason  string   `json:"reason,omitempty"`
	Figures *Summary `json:"figures,omitempty"`
	// Of crew leads.
	Adjusted *Adjusted `json:"adjusted,omitempty"`
}

// A Grouping is the answer by home class, in the order of size, or by crew
// lead, alphabetically; a crew lead's is for nobody outside the agency.
type Grouping struct {
	Period
	By            By        `json:"by"`
	AsOfAt        time.Time `json:"as_of_at,omitzero"`
	Position      int64     `json:"position,omitzero"`
	MethodVersion string    `json:"method_version"`
	InputDigest   string    `json:"input_digest"` // equal for equal jobs; see digest
	Program       Summary   `json:"program"`
	Model         *Model    `json:"model,omitempty"` // with an effect for each crew lead
	Groups        []Group   `json:"groups"`
}

// Grouping answers from a Tally by class of home or by crew lead; names
// are those of the leads. Refused: nothing of its own; figures without enough
// jobs are absent, with a reason. Source: at each figure, Summary and Model [calc].
func (t *Tally) Grouping(names map[domain.UUID]string) (Grouping, error) {
	keys := t.keys()
	g := Grouping{Period: t.period, By: t.by, MethodVersion: MethodVersion, InputDigest: t.digest.String(), Groups: make([]Group, 0, len(keys))}
	summaries, program, err := t.summaries(keys, func() {})
	if err != nil {
		return Grouping{}, err
	}
	g.Program = program
	var placed map[domain.UUID]Adjusted
	if t.by == ByCrewLead {
		var m Model
		if m, placed, err = t.adjust(); err != nil {
			return Grouping{}, err
		}
		g.Model = &m
	}
	for i, k := range keys {
		s := summaries[i]
		line := Group{HomeClass: k.class, JobsCount: s.JobsCount, UsedCount: s.UsedCount, Figures: &s}
		if t.by == ByCrewLead && !k.id.IsZero() {
			line.CrewLeadID, line.Name = &k.id, names[k.id]
			if a, ok := placed[k.id]; ok {
				line.Adjusted = &a
			}
		}
		if t.by == ByCrewLead && s.UsedCount < minLeadHomes {
			line.Figures, line.Adjusted, line.Reason = nil, nil, TooFewJobs
		}
		g.Groups = append(g.Groups, line)
	}
	slices.SortStableFunc(g.Groups, func(a, b Group) int {
		return cmp.Or(cmp.Compare(classRank(a.HomeClass), classRank(b.HomeClass)),
			strings.Compare(a.HomeClass, b.HomeClass), byName(a.Name, b.Name))
	})
	return g, nil
}

// leastHomes is the number of homes below which no figure of a group leaves the
// agency: who knows the others' homes could tell one from it [cp].
const leastHomes = 5

// TooFewHomes is why a figure is absent for a reader outside the agency.
const TooFewHomes = "fewer_than_5_homes"

// Outside is the summary as a reader outside the agency gets it: without figures
// where it rests on fewer than leastHomes homes, and never with other jobs
// counted, since the difference would be a figure of a few. False when figures
// are held back. It refuses nothing. Source: disclosure control [cp].
func (s *Summary) Outside() (whole bool) {
	s.WithoutQuestioned, s.WithExcluded = nil, nil
	if s.homes >= leastHomes || s.UsedCount == 0 {
		return true
	}
	s.hide()
	return false
}

func (s *Summary) hide() {
	s.Pooled, s.Typical = Pooled{Reason: TooFewHomes}, Typical{Reason: TooFewHomes}
	s.MedianBefore, s.MedianAfter = Median{Reason: TooFewHomes}, Median{Reason: TooFewHomes}
	s.PerArea, s.MissingAfterRatio = PerArea{Reason: TooFewHomes}, nil
}

// OutsideGroups are groups as a reader outside the agency gets them. One that is
// hidden alone could be had from the total, so the smallest of the others is
// hidden with it. False when figures are held back. It refuses nothing.
// Source: disclosure control [cp].
func OutsideGroups(groups []Group) (whole bool) {
	shown := make([]*Group, 0, len(groups))
	hidden, homes := 0, 0
	for i := range groups {
		g := &groups[i]
		if g.Figures == nil || g.UsedCount == 0 {
			continue
		}
		if g.Figures.Outside() {
			shown = append(shown, g)
			continue
		}
		g.Reason = TooFewHomes
		hidden, homes = hidden+1, homes+g.Figures.homes
	}
	if hidden == 0 {
		return true
	}
	slices.SortStableFunc(shown, func(a, b *Group) int { return cmp.Compare(a.UsedCount, b.UsedCount) })
	if (hidden == 1 || homes < leastHomes) && len(shown) > 0 {
		shown[0].Figures.hide()
		shown[0].Reason = TooFewHomes
	}
	return false
}

// Outside is a contractor's place as the contractor gets it: what is for the
// agency only (who is watched or listed) goes, and with it every word that rests
// on it; below the number of jobs from which a figure may stand beside a name
// outside, there is none. It refuses nothing. Source: at Standing [cp].
func (a *Adjusted) Outside(p *Pool) {
	if a.Standing == nil || p == nil {
		return
	}
	if a.Standing.Naming != NamedWithItsSpan {
		*a = Adjusted{N: a.N, Reason: stat.TooFew, Statement: "From " + jobs(a.N) + " no index is given outside the agency; a longer period may hold enough."}
		return
	}
	if !a.Standing.Comparison {
		unwatched := *a.Standing
		unwatched.Watch = false
		a.Standing = &unwatched
		a.Statement = a.say(p)
	}
	a.Standing = nil
}
