package pages

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
)

// newJobShown is the form for a home and a job, step by step: where it is, which
// home is meant, then all that the office knows before the crew goes there.
type newJobShown struct {
	Step                      string // where, which, form
	Street, Name, Phone, Park string
	Found                     []homeFound
	MoreFound                 bool

	HomeID, JobID string
	Version       int64 // of a home that is known
	Home          domain.Home
	Sections      []int
	Kinds         []domain.FurnaceSort
	Parks         []string
	Earlier       []earlierJob
	Treated       rules.Page
	Firms         []firmLoad
	Funds         []string
	Firm          domain.UUID
	Fund          string
	Basis         domain.PayBasis
	DueOn         domain.Date
	Priority      string
}

type homeFound struct {
	HomeID string `json:"home_id"`
	Name   string `json:"name"`
	Phone  string `json:"phone"`
	Street string `json:"street"`
	Park   string `json:"park"`
	Jobs   int    `json:"jobs_count"`
}

// An earlierJob is one at the same home.
type earlierJob struct {
	ID     string
	Number int64
	State  domain.JobState
	Since  time.Time
}

// A firmLoad is a contractor with what is open there.
type firmLoad struct {
	named
	Open, Returned int
}

func (p *Pages) newJob(_ context.Context, _ *Visit) (Page, error) {
	return newJobPage(newJobShown{Step: "where"}), nil
}

func newJobPage(s newJobShown) Page {
	page := Page{Title: "A new home or job", Under: "Jobs", Rows: -1, Body: "new-job", With: s}
	switch s.Step {
	case "where":
		page.Lead = "Look first whether the home is known: it may have been treated before."
	case "which":
		page.Lead = sentence(Count(len(s.Found), "home begins", "homes begin") + " with these words")
		if len(s.Found) == 0 {
			page.Lead = "No home begins with these words: it is a new one."
		}
	default:
		page.Lead = "This home is new to the program."
		if s.Version > 0 {
			page.Lead = "Nothing was done at this home yet."
			if n := len(s.Earlier); n > 0 {
				page.Lead = sentence(Count(n, "job stands", "jobs stand") + " at this home already")
			}
		}
	}
	return page
}

// newJobDo goes from step to step. Nothing is written before the last one, whose
// form carries the ids of home and job: sent twice, it is one of each.
func (p *Pages) newJobDo(ctx context.Context, v *Visit) (Page, error) {
	f := v.Form.Get
	s := newJobShown{Street: f("street"), Name: f("name"), Phone: f("phone"), Park: f("park")}
	switch f("do") {
	case "look":
		return p.lookForHome(ctx, v, s)
	case "form":
		s.HomeID, s.JobID, s.Step = f("home_id"), newID().String(), "form"
		if s.HomeID == "" {
			s.HomeID = newID().String()
		}
		if err := p.fillNewJob(ctx, v, &s); err != nil {
			return Page{}, err
		}
		return newJobPage(s), nil
	case "save":
		return p.saveNewJob(ctx, v, s)
	}
	return Page{}, domain.Errorf(domain.Invalid, "choose what to do")
}

func (p *Pages) lookForHome(ctx context.Context, v *Visit, s newJobShown) (Page, error) {
	words := strings.TrimSpace(firstOf(s.Street, s.Name, s.Phone))
	if words == "" {
		page := newJobPage(newJobShown{Step: "where"})
		page.Status, page.Faults = http.StatusUnprocessableEntity, []string{"Type the street, the resident's name or the telephone number."}
		return page, nil
	}
	var found struct {
		Homes []homeFound `json:"homes"`
		More  bool        `json:"more"`
	}
	if err := v.Send(ctx, http.MethodPost, "/v1/search", map[string]any{"words": words, "limit": 20}, &found); err != nil {
		return Page{}, err
	}
	s.Step, s.Found, s.MoreFound = "which", found.Homes, found.More
	return newJobPage(s), nil
}

// fillNewJob reads what the last step chooses from, and what is known of the home.
func (p *Pages) fillNewJob(ctx context.Context, v *Visit, s *newJobShown) error {
	s.Sections, s.Kinds = []int{1, 2, 3}, []domain.FurnaceSort{domain.ElectricFurnace, domain.GasFurnace, domain.OilFurnace, domain.HeatPump, domain.PackagedOutdoor, domain.OtherFurnace}
	for _, rule := range rules.Pages(rules.DefaultSet()) {
		if rule.Key == "home_not_treated_before" {
			s.Treated = rule
		}
	}
	sets, current, err := ruleSets(ctx, v)
	if err != nil {
		return err
	}
	if current >= 0 {
		set := &sets[current].Record
		s.Funds, s.Parks = set.Funds(), set.Parks
		if s.Basis == "" {
			s.Basis = set.PayBasis
		}
	}
	if s.Firms, err = firmLoads(ctx, v); err != nil {
		return err
	}
	var home told
	switch err := v.Get(ctx, "/v1/homes/"+s.HomeID, &home); {
	case domain.CodeOf(err) == domain.NotFound:
		return nil
	case err != nil:
		return err
	}
	s.Version = home.Version
	if s.Home.SectionCount == 0 {
		if err := readValue(home.Record, &s.Home); err != nil {
			return err
		}
		s.Street, s.Name, s.Phone, s.Park = home.Resident.Street, home.Resident.Name, home.Resident.Phone, s.Home.Park
	}
	jobs, _, err := All[told](ctx, v, "/v1/jobs?home_id="+s.HomeID, most)
	if err != nil {
		return err
	}
	for i := range jobs {
		var of struct {
			State domain.JobState `json:"state"`
		}
		if err := readValue(jobs[i].Record, &of); err != nil {
			return err
		}
		s.Earlier = append(s.Earlier, earlierJob{jobs[i].ID.String(), jobs[i].Number, of.State, jobs[i].RecordedAt})
	}
	return nil
}

// firmLoads are the contractors that may work today, with their open jobs, in
// the order of their names.
func firmLoads(ctx context.Context, v *Visit) (list []firmLoad, err error) {
	firms, _, err := All[record[domain.Contractor]](ctx, v, "/v1/contractors", most)
	if err != nil {
		return nil, err
	}
	open, returned := map[domain.UUID]int{}, map[domain.UUID]int{}
	for _, state := range []domain.JobState{domain.Assigned, domain.InWork, domain.SentIn, domain.Returned} {
		jobs, _, err := All[record[struct {
			ContractorID domain.UUID `json:"contractor_id"`
		}]](ctx, v, "/v1/jobs?state="+string(state), most)
		if err != nil {
			return nil, err
		}
		for i := range jobs {
			open[jobs[i].Record.ContractorID]++
			if state == domain.Returned {
				returned[jobs[i].Record.ContractorID]++
			}
		}
	}
	today := domain.Date(v.Now.In(v.Zone).Format(time.DateOnly))
	for i := range firms {
		if r := &firms[i].Record; r.EndedOn == "" || r.EndedOn >= today {
			list = append(list, firmLoad{named{firms[i].ID, r.Name}, open[firms[i].ID], returned[firms[i].ID]})
		}
	}
	sort.Slice(list, func(i, j int) bool { return strings.ToLower(list[i].Name) < strings.ToLower(list[j].Name) })
	return list, nil
}

// saveNewJob writes home, resident and job, in this order: one that is refused
// leaves the form with all that was typed, and sending it again goes on there.
func (p *Pages) saveNewJob(ctx context.Context, v *Visit, s newJobShown) (Page, error) {
	f := v.Form.Get
	s.Step, s.HomeID, s.JobID = "form", f("home_id"), f("job_id")
	s.Firm, s.Fund, s.Basis, s.DueOn, s.Priority = idOf(f("contractor_id")), f("fund_source"), domain.PayBasis(f("pay_basis")), domain.Date(f("due_on")), f("priority")
	s.Home.SectionCount, _ = strconv.Atoi(f("section_count")) // what is no number is refused as 0
	s.Home.FurnaceKind, s.Home.Park = domain.FurnaceSort(f("furnace_kind")), s.Park
	if err := p.writeNewJob(ctx, v, &s); err != nil {
		if fillErr := p.fillNewJob(ctx, v, &s); fillErr != nil {
			return Page{}, fillErr
		}
		return refusedForm(newJobPage(s), err)
	}
	return Page{Location: "/staff/jobs/" + s.JobID}, nil
}

func (p *Pages) writeNewJob(ctx context.Context, v *Visit, s *newJobShown) error {
	var missing []domain.Fault
	for _, needed := range []struct {
		field string
		there bool
		fix   string
	}{
		{"street", s.Street != "", "type the street with its number"}, {"contractor", !s.Firm.IsZero(), "choose who does the work"},
		{"pay basis", s.Basis != "", "choose by what it is paid"}, {"section count", slices.Contains([]int{1, 2, 3}, s.Home.SectionCount), "choose how many floors were joined: 1, 2 or 3"},
	} {
		if !needed.there {
			missing = append(missing, domain.Fault{Pointer: "/" + needed.field, Code: "required", Detail: "is missing", Fix: needed.fix})
		}
	}
	if err := domain.InvalidFields(missing); err != nil {
		return err
	}
	at := "/v1/homes/" + s.HomeID
	var stands told
	switch err := v.Get(ctx, at, &stands); {
	case err == nil: // what a crew found out about it stays
		now := s.Home
		if err := readValue(stands.Record, &s.Home); err != nil {
			return err
		}
		before := s.Home
		s.Home.SectionCount, s.Home.FurnaceKind, s.Home.Park = now.SectionCount, now.FurnaceKind, now.Park
		if before.SectionCount != now.SectionCount || before.FurnaceKind != now.FurnaceKind || before.Park != now.Park {
			if err := v.Send(ctx, http.MethodPut, at, s.Home, nil, "If-Match", fmt.Sprintf(`"%d"`, stands.Version)); err != nil {
				return err
			}
		}
	case domain.CodeOf(err) == domain.NotFound:
		if err := v.Send(ctx, http.MethodPut, at, s.Home, nil); err != nil {
			return err
		}
	default:
		return err
	}
	resident := map[string]any{"street": s.Street}
	for name, text := range map[string]string{"name": s.Name, "phone": s.Phone, "permission_by": stands.Resident.PermissionBy, "consent_by": stands.Resident.ConsentBy} {
		if text != "" {
			resident[name] = text
		}
	}
	if err := v.Send(ctx, http.MethodPut, at+"/resident", resident, nil); err != nil {
		return err
	}
	job := domain.Job{HomeID: idOf(s.HomeID), ContractorID: s.Firm, PayBasis: s.Basis, State: domain.Assigned, FundSource: s.Fund, DueOn: s.DueOn, Priority: s.Priority}
	return v.Send(ctx, http.MethodPut, "/v1/jobs/"+s.JobID, job, nil)
}
