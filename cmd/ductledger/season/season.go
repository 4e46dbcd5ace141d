package season

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"time"

	"github.com/go-json-experiment/json"

	"ductledger/api/device"
	"ductledger/cmd/ductledger/fixture"
	"ductledger/domain"
)

// season is one program on its way through the invented past.
type season struct {
	*Past
	fixture     *fixture.Program
	program     domain.UUID
	tokens      map[domain.Role]string
	office      *office
	phones      map[*fixture.Crew]*device.Device
	phoneTokens map[*fixture.Crew]string
	jobs        []*job
	first       int // jobs before it are finished
	sentIn      int
	duties
}

// job is a plan with where it stands. On one day either the office or its
// crew has it in hand, never both.
type job struct {
	*fixture.Plan
	stand     stand
	reviewOn  int // day
	returnOn  int // day on which the crew mends what was wrong
	wasFixed  bool
	wasLooked bool
}

type stand int

const (
	planned stand = iota
	assigned
	sentIn
	returned
	finished
)

// day gives what is to be done on a day: by the office, and by each crew.
func (s *season) day(day int) (tasks []func(context.Context) error) {
	var forOffice []*job
	forCrew := map[*fixture.Crew][]*job{}
	for s.first < len(s.jobs) && s.jobs[s.first].stand == finished {
		s.first++
	}
	for _, j := range s.jobs[s.first:] {
		if j.Assigned > day {
			break // they stand in the order of their assignment
		}
		switch {
		case j.stand == planned, j.stand == sentIn && j.reviewOn <= day:
			forOffice = append(forOffice, j)
		case j.stand == assigned && j.Worked <= day, j.stand == returned && j.returnOn <= day:
			forCrew[j.Crew] = append(forCrew[j.Crew], j)
		}
	}
	if len(forOffice) > 0 {
		tasks = append(tasks, func(ctx context.Context) error { return s.office.work(ctx, day, forOffice) })
	}
	for _, crew := range s.fixture.Crews {
		if jobs := forCrew[crew]; len(jobs) > 0 {
			for _, j := range jobs {
				if j.stand == assigned {
					s.sentIn++
				}
			}
			tasks = append(tasks, func(ctx context.Context) error { return s.crewDay(ctx, s.phones[crew], day, jobs) })
		}
	}
	return tasks
}

// finish lets homes wait, gives the residents of the jobs that are still to be done a name,
// opens a job by hand, and hands a month to the funder.
func (s *season) finish(now time.Time, months int) error {
	if _, err := s.office.send(s.ctx, s.fixture.Waiting()); err != nil {
		return err
	}
	for n, j := range s.jobs {
		open := j.stand == assigned || j.Begun()
		if !open || j.Crew.Number != 1 {
			continue
		}
		body, err := json.Marshal(map[string]string{"name": fmt.Sprintf("DEMO Resident %d", n), "phone": fmt.Sprintf("555-01%02d", n%100), "street": fmt.Sprintf("%d DEMO Lane", n)})
		if err != nil {
			return err
		}
		if err := s.office.call(s.ctx, http.MethodPut, "/v1/homes/"+j.HomeID.String()+"/resident", body, nil); err != nil {
			return err
		}
	}
	if at := slices.IndexFunc(s.jobs, func(j *job) bool { return j.stand == finished && !j.Begun() && !j.Deferred && !s.scheduled[j] }); at >= 0 {
		body, err := json.Marshal(map[string]any{"job_id": s.jobs[at].JobID, "reason_codes": []string{"resident_complained"}})
		if err != nil {
			return err
		}
		if err := s.office.call(s.ctx, http.MethodPost, "/v1/inspection-draws", body, nil); err != nil {
			return err
		}
	}
	month := time.Date(now.Year(), now.Month()-2, 1, 0, 0, 0, 0, time.UTC)
	if months == 2 { // the first is the last one
		month = month.AddDate(0, 1, 0)
	}
	return s.release(month.Format("2006-01"))
}

// release has a month's package of each fund built, which another person then hands to
// the funder.
func (s *season) release(month string) error {
	admin := &office{season: s, token: s.tokens[domain.Admin], http: s.office.http}
	for _, fund := range []string{fixture.StateFund, fixture.UtilityFund} {
		name, err := s.Build(s.ctx, s.program, s.tokens[domain.Staff], month, fund)
		if err != nil {
			return err
		}
		if err := admin.call(s.ctx, http.MethodPost, "/v1/months/"+month+"/packages/"+name+"/release", nil, nil); err != nil {
			return err
		}
	}
	return nil
}
