package season

import (
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"slices"
	"time"

	"github.com/go-json-experiment/json"

	"ductledger/cmd/ductledger/fixture"
	"ductledger/domain"
	"ductledger/domain/draws"
	"ductledger/domain/rules"
)

// duties are what the office and the inspector have in hand beside the jobs.
type duties struct {
	inspector *office
	byID      map[domain.UUID]*job
	toInspect map[int][]*job // by day, as the three below
	complains map[int][]*job
	repaired  map[int][]*callBack
	settled   map[int][]rules.Item
	scheduled map[*job]bool // to be inspected, or inspected
	inspected map[*fixture.Crew]int
}

// callBack is a complaint that a crew answers for.
type callBack struct {
	crew   *fixture.Crew
	repair []rules.Item
}

func newDuties() duties {
	return duties{toInspect: map[int][]*job{}, complains: map[int][]*job{}, repaired: map[int][]*callBack{}, settled: map[int][]rules.Item{},
		scheduled: map[*job]bool{}, inspected: map[*fixture.Crew]int{}}
}

// asSentIn tells that the jobs of a day's month are drawn as they are sent in: so it is in
// the last month and the running one. Before, each month was drawn once it was over.
func (s *season) asSentIn(midnight time.Time) bool {
	last := s.fixture.Days[len(s.fixture.Days)-1]
	return !midnight.Before(time.Date(last.Year(), last.Month()-1, 1, 0, 0, 0, 0, last.Location()))
}

// visits lets crews begin jobs in reach of a signal, and the inspector see those at work
// that the service drew; nobody told him before.
func (s *season) visits(day int, midnight time.Time) error {
	if !s.asSentIn(midnight) {
		return nil
	}
	s.Clock.Set(midnight.Add(fixture.Noon))
	begun := map[*job]bool{}
	for _, j := range s.jobs[s.first:] {
		if j.stand != assigned || j.Worked != day || !j.BeginsInSight() {
			continue
		}
		phone := s.phones[j.Crew]
		if err := phone.Pull(s.ctx); err != nil {
			return err
		}
		moved := *j.Job
		moved.State = domain.InWork
		if err := phone.Put(j.JobID, &moved); err != nil {
			return err
		}
		if err := phone.Push(s.ctx); err != nil {
			return err
		}
		begun[j] = true
	}
	if len(begun) == 0 {
		return nil
	}
	open, err := s.openToInspect()
	if err != nil {
		return err
	}
	var items []rules.Item
	for _, j := range open {
		if begun[j] {
			items = append(items, s.fixture.Visit(j.Plan, day))
		}
	}
	_, err = s.inspector.send(s.ctx, items)
	return err
}

// openToInspect are the jobs on the inspector's list.
func (s *season) openToInspect() (open []*job, err error) {
	var list struct {
		Items []struct {
			JobID domain.UUID `json:"job_id"`
		} `json:"items"`
	}
	if err := s.inspector.get(s.ctx, "/v1/worklist?sort=inspection_owed&limit=200", &list); err != nil {
		return nil, err
	}
	if s.byID == nil {
		s.byID = map[domain.UUID]*job{}
		for _, j := range s.jobs {
			s.byID[j.JobID] = j
		}
	}
	for _, item := range list.Items {
		if j := s.byID[item.JobID]; j != nil {
			open = append(open, j)
		}
	}
	return open, nil
}

// inspections is what the office and the inspector do on a day beside the jobs: the draws at
// the turn of a month, inspections, lessons, and what residents complain about.
func (s *season) inspections(day int, midnight time.Time) error {
	if midnight.Day() == 1 {
		if err := s.draw(midnight); err != nil {
			return err
		}
	}
	if err := s.callBacks(day); err != nil {
		return err
	}
	if midnight.Day() == 1 || s.asSentIn(midnight) {
		if err := s.schedule(day); err != nil {
			return err
		}
	}
	var items []rules.Item
	for _, j := range s.toInspect[day] {
		items = append(items, s.fixture.Inspect(j.Plan, day, s.inspected[j.Crew])...)
		s.inspected[j.Crew]++
	}
	_, err := s.inspector.send(s.ctx, items)
	return err
}

// callBacks are the complaints of a day, the repairs after earlier ones, and how those were
// settled.
func (s *season) callBacks(day int) error {
	items := s.fixture.Lessons(day)
	for _, j := range s.complains[day] {
		if j.stand != finished {
			continue // it is looked at again
		}
		c := s.fixture.CallBack(j.Plan, day)
		items = append(items, c.Told)
		if len(c.Repaired) > 0 {
			s.repaired[c.RepairedOn] = append(s.repaired[c.RepairedOn], &callBack{j.Crew, c.Repaired})
		}
		if c.Settled.Record != nil {
			s.settled[c.SettledOn] = append(s.settled[c.SettledOn], c.Settled)
		}
	}
	if _, err := s.office.send(s.ctx, items); err != nil {
		return err
	}
	for _, c := range s.repaired[day] {
		phone := s.phones[c.crew]
		if err := phone.Pull(s.ctx); err != nil {
			return err
		}
		for _, item := range c.repair {
			if err := phone.Put(item.ID, item.Record); err != nil {
				return err
			}
		}
		if err := phone.Push(s.ctx); err != nil {
			return err
		}
	}
	_, err := s.office.sendOver(s.ctx, 1, s.settled[day])
	return err
}

// inspectionDays are over how many days the inspections of a month are spread.
const inspectionDays = 9

// schedule gives each job that was opened to inspectors a day.
func (s *season) schedule(day int) error {
	open, err := s.openToInspect()
	if err != nil {
		return err
	}
	count := 0
	for _, j := range open {
		if s.scheduled[j] || j.stand < sentIn || j.Begun() {
			continue // or open for a visit during the work
		}
		s.scheduled[j] = true
		on := day + 1 + count%inspectionDays
		s.toInspect[on], count = append(s.toInspect[on], j), count+1
	}
	return nil
}

// draw begins the draw of a month, and ends that of the one that is over: both under a
// seed that is promised first, or as jobs are sent in.
func (s *season) draw(midnight time.Time) error {
	step := func(month time.Time, ask map[string]any) error {
		ask["month"] = month.Format("2006-01")
		body, err := json.Marshal(ask)
		if err != nil {
			return err
		}
		return s.office.call(s.ctx, http.MethodPost, "/v1/inspection-draws", body, nil)
	}
	promise := func(month time.Time) (seed, digest string) {
		secret := sha256.Sum256([]byte("DEMO seed of " + month.Format("2006-01"))) // of a demo: nobody is to be surprised
		told := draws.SeedDigest(secret[:])
		return hex.EncodeToString(secret[:]), hex.EncodeToString(told[:])
	}
	ask := map[string]any{"as_sent_in": true}
	if !s.asSentIn(midnight) {
		_, digest := promise(midnight)
		ask = map[string]any{"seed_sha256": digest}
	}
	if err := step(midnight, ask); err != nil {
		return err
	}
	last := midnight.AddDate(0, -1, 0)
	if !slices.ContainsFunc(s.jobs, func(j *job) bool { return j.stand != planned && j.frameOf(s.fixture, last) }) {
		return nil
	}
	if s.asSentIn(last) {
		return step(last, map[string]any{"as_sent_in": true})
	}
	seed, digest := promise(last)
	if err := step(last, map[string]any{"seed_sha256": digest}); err != nil { // the frame as it came to be
		return err
	}
	return step(last, map[string]any{"seed": seed})
}

// frameOf tells whether the job was sent in, and done, in the month that begins then.
func (j *job) frameOf(w *fixture.Program, month time.Time) bool {
	if j.Deferred || j.Begun() || j.Worked >= len(w.Days) {
		return false
	}
	on := w.Days[j.Worked]
	return on.Year() == month.Year() && on.Month() == month.Month()
}
