package pagetest_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage/storagetest"
)

// script is typed wherever people type: it must be shown, never run.
const script = `<script>document.title='x'</script> & "Cedar"`

// longName has no place to break.
var longName = "Invented" + strings.Repeat("ofthelongestname", 7)

type object = map[string]any

// A scene is a program in which something waits in every corner.
type scene struct {
	*apitest.API
	SentIn, Returned, Accepted domain.UUID // jobs
	Held, Conflict             string      // held items
}

// newScene makes one: a job with three faults that is sent in, one that was
// returned and of which something came since, one that was accepted, items that
// were not accepted, a contractor with a long name, and script in every text.
func newScene(t testing.TB) *scene {
	t.Helper()
	s := &scene{API: apitest.Serve(t)} // 1 October 2026
	w := s.World
	s.Do(domain.Admin, "PUT", "/v1/rule-sets/"+storagetest.ID().String(), domain.RuleSet{Name: "with prices", FromOn: "2026-10-05", FundSources: []string{"state_fund"},
		Prices: []domain.Price{{Line: "cfm25_removed", AmountCents: 500, FundSource: "state_fund", Category: "labor"}}}).Want(201)
	s.Clock.Move(14 * 24 * time.Hour)
	w.Must(t, w.Staff, storagetest.Item(t, storagetest.ID(), &domain.Contractor{Name: longName}))
	s.Accepted, s.SentIn, s.Returned = s.accepted(t), s.job(t), s.job(t)
	s.Do(domain.Staff, "PUT", "/v1/reviews/"+storagetest.ID().String(), object{"job_id": s.Returned, "decision": "return", "reason_codes": []string{"end_closure_clear_of_outlets"}, "text": script}).Want(201)
	s.Do(domain.ContractorRole, "PUT", "/v1/reviews/"+storagetest.ID().String(), object{"job_id": s.Returned, "decision": "reply", "text": script}).Want(201)
	opening := object{"job_id": s.Returned, "in": "wrap", "origin": "found", "section": "A", "position_ft": 10, "width_in": 12, "length_in": 9}
	s.Do(domain.Field, "PUT", "/v1/openings/"+storagetest.ID().String(), opening).Want(201)

	opening["position_ft"] = 400
	s.Do(domain.Field, "PUT", "/v1/openings/"+storagetest.ID().String(), opening).Want(422)
	home := "/v1/homes/" + w.Home.String()
	var stands struct {
		Version int64       `json:"version"`
		Record  domain.Home `json:"record"`
	}
	s.Do(domain.Staff, "GET", home, nil).Want(200).Into(&stands)
	version := fmt.Sprintf(`"%d"`, stands.Version)
	theirs, ours := 18.0, 24.0
	stands.Record.CrawlHeightIn = &theirs
	s.Do(domain.Staff, "PUT", home, stands.Record, "If-Match", version).Want(200)
	stands.Record.CrawlHeightIn = &ours
	s.Do(domain.Field, "PUT", home, stands.Record, "If-Match", version).Want(412)
	var held struct {
		Items []struct {
			ID   string `json:"held_id"`
			Code string `json:"code"`
		} `json:"items"`
	}
	s.Do(domain.Staff, "GET", "/v1/held", nil).Want(200).Into(&held)
	for _, h := range held.Items {
		if s.Held = h.ID; h.Code == "version_conflict" {
			s.Conflict, s.Held = h.ID, held.Items[0].ID
		}
	}
	s.Do(domain.Staff, "POST", "/v1/inspection-draws", object{"job_id": s.SentIn, "reason_codes": []string{"resident_complained"}}).Want(201)
	return s
}

// job is the rules' invented job with three faults, at a new home, sent in.
func (s *scene) job(t testing.TB) domain.UUID {
	t.Helper()
	w := s.World
	w.Home = storagetest.ID()
	for _, item := range rules.ExampleEvaluation().Items {
		if home, ok := item.Record.(*domain.Home); ok {
			w.Must(t, w.Staff, storagetest.Item(t, w.Home, home))
		}
	}
	s.Do(domain.Staff, "PUT", "/v1/homes/"+w.Home.String()+"/resident", object{"street": "14 " + script, "name": "Ann " + script, "phone": "555 0143"}).Want(200)
	items := w.WholeJob(t)
	var id domain.UUID
	var done domain.Job
	for i, item := range items {
		if job, ok := item.Record.(*domain.Job); ok {
			id, done = item.ID, *job
			given := *job
			given.State = domain.Assigned
			w.Must(t, w.Staff, storagetest.Item(t, item.ID, &given))
			items = append(items[:i:i], items[i+1:]...)
			break
		}
	}
	w.Must(t, w.Field, items...)
	done.State, done.Outcome = domain.SentIn, domain.Completed
	w.Must(t, w.Field, storagetest.On(storagetest.Item(t, id, &done), 1))
	return id
}

// accepted is one of which all that was found was lifted.
func (s *scene) accepted(t testing.TB) domain.UUID {
	t.Helper()
	id := s.job(t)
	var judged struct {
		Findings []struct {
			Rule     string           `json:"rule"`
			Severity string           `json:"severity"`
			Subjects []domain.Subject `json:"subjects"`
		} `json:"findings"`
	}
	s.Do(domain.Staff, "GET", "/v1/jobs/"+id.String()+"/findings", nil).Want(200).Into(&judged)
	for _, f := range judged.Findings {
		ref := object{"rule": f.Rule, "subjects": f.Subjects}
		if f.Severity == "check" {
			s.Do(domain.Staff, "PUT", "/v1/reviews/"+storagetest.ID().String(), object{"job_id": id, "decision": "answer", "finding": ref, "text": script}).Want(201)
			continue
		}
		s.Do(domain.Staff, "PUT", "/v1/waivers/"+storagetest.ID().String(), object{"job_id": id, "finding": ref, "reason": script, "agreed_consequence": script, "safety_talk_on": "2026-10-14"}).Want(201)
	}
	s.Do(domain.Staff, "PUT", "/v1/reviews/"+storagetest.ID().String(), object{"job_id": id, "decision": "accept"}).Want(201)
	return id
}
