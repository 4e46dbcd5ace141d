package season

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"strings"
	"time"

	"ductledger/api/device"
	"ductledger/api/strict"
	"ductledger/api/wire"
	"ductledger/cmd/ductledger/fixture"
	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// office is the agency's staff: it assigns jobs, looks at what comes in, and
// accepts, returns or defers it.
type office struct {
	season *season
	token  string
	http   *http.Client
	ids    *rand.Rand
}

// openOffice makes the tokens of those who belong to no crew and records what
// stands in no job.
func (s *season) openOffice() error {
	s.tokens, s.phones, s.phoneTokens = map[domain.Role]string{}, map[*fixture.Crew]*device.Device{}, map[*fixture.Crew]string{}
	for _, t := range []storage.Token{{Role: domain.Staff, Name: "DEMO Staff"}, {Role: domain.Admin, Name: "DEMO Admin"},
		{Role: domain.Funder, Name: "DEMO Funder"}, {Role: domain.Inspector, Name: "DEMO Inspector"}} {
		text, err := s.Token(s.ctx, s.program, t)
		if err != nil {
			return err
		}
		s.tokens[t.Role] = text
	}
	s.duties = newDuties()
	s.inspector = &office{season: s, token: s.tokens[domain.Inspector], http: &http.Client{Transport: s.Link}}
	s.office = &office{season: s, token: s.tokens[domain.Staff], http: &http.Client{Transport: s.Link}, ids: rand.New(rand.NewPCG(demoSeed+2, uint64(len(s.fixture.Plans))))}
	if _, err := s.office.send(s.ctx, s.fixture.Setup); err != nil {
		return err
	}
	text, err := s.Token(s.ctx, s.program, storage.Token{Role: domain.ContractorRole, Name: "DEMO Owner 1", ContractorID: s.fixture.Crews[0].Contractor})
	s.tokens[domain.ContractorRole] = text
	return err
}

// work is a day at the office: one batch.
func (o *office) work(ctx context.Context, day int, jobs []*job) error {
	var items []rules.Item
	accepts := map[int]*job{} // by the place of the review
	add := func(id domain.UUID, r domain.Record) {
		items = append(items, rules.Item{Kind: r.Kind(), ID: id, Record: r})
	}
	for _, j := range jobs {
		if j.stand == planned {
			add(j.HomeID, j.Home)
			add(j.JobID, j.Job)
			j.stand = assigned
			continue
		}
		decision, records, err := o.decide(ctx, j)
		if err != nil {
			return err
		}
		for _, r := range records {
			add(o.id(), r)
		}
		switch decision.Decision {
		case domain.Accept:
			accepts[len(items)] = j
			j.stand = finished
			if on, complains := j.CallBackDay(day); complains {
				o.season.complains[on] = append(o.season.complains[on], j)
			}
		case domain.Return:
			j.stand, j.returnOn = returned, day+2
		default:
			j.stand = finished
		}
		add(o.id(), decision)
	}
	answers, err := o.send(ctx, items)
	var refused *refusedError
	if errors.As(err, &refused) {
		if j := accepts[refused.index]; j != nil && refused.code == domain.NotAcceptable {
			j.stand, j.reviewOn = sentIn, day+1 // look again tomorrow
			if j.wasLooked {
				j.reviewOn = math.MaxInt // it waits for whoever looks around in the demo
			}
			j.wasLooked = true
			return nil
		}
	}
	_ = answers
	return err
}

// decide looks at a job that was sent in: what cannot be cured is waived, what
// asks is answered, what can be cured is returned once.
func (o *office) decide(ctx context.Context, j *job) (*domain.Review, []domain.Record, error) {
	review := &domain.Review{JobID: j.JobID, Decision: domain.Accept}
	if j.Deferred {
		review.Decision, review.ReasonCodes = domain.Defer, []string{"not_workable"}
		return review, nil, nil
	}
	counts, told := o.season.phones[j.Crew].Counts(j.JobID)
	if told && !j.wasLooked && counts.MustFixCount+counts.CheckCount+counts.NotRecordedCount == 0 {
		return review, nil, nil
	}
	var found struct {
		Findings []rules.Finding `json:"findings"`
	}
	if err := o.get(ctx, "/v1/jobs/"+j.JobID.String()+"/findings", &found); err != nil {
		return nil, nil, err
	}
	var settled []domain.Record
	for _, f := range found.Findings {
		ref := f.Ref()
		switch {
		case f.Severity == rules.Note:
		case f.Severity == rules.Check:
			settled = append(settled, &domain.Review{JobID: j.JobID, Decision: domain.Answer, Finding: &ref, Text: "DEMO: looked at, it may stay."})
		case f.Cure == rules.NoCure || j.wasFixed || f.Rule == "leakage_not_higher_after":
			settled = append(settled, &domain.Waiver{JobID: j.JobID, Finding: ref, Reason: "DEMO: it cannot be mended now.", AgreedConsequence: "DEMO: the lesson is repeated.", SafetyTalkOn: domain.DateOf(o.season.Clock.Now().AddDate(0, 0, -1), time.UTC)})
		default:
			review.Decision = domain.Return
			review.ReasonCodes = appendNew(review.ReasonCodes, f.Rule)
		}
	}
	return review, settled, nil
}

func appendNew(list []string, word string) []string {
	for _, w := range list {
		if w == word {
			return list
		}
	}
	return append(list, word)
}

// id is drawn like those that people's apps make.
func (o *office) id() domain.UUID { return fixture.ID(o.ids, o.season.Clock.Now()) }

// refusedError is an item of the office that was not taken.
type refusedError struct {
	index int
	code  domain.Code
	text  string
}

func (e *refusedError) Error() string { return "the service refused what the office sent: " + e.text }

// maxItems is what a batch takes.
const maxItems = 500

// send sends records in batches; an item that is not taken is an error, the
// others of its batch stand.
func (o *office) send(ctx context.Context, records []rules.Item) ([]wire.ItemAnswer, error) {
	return o.sendOver(ctx, 0, records)
}

// sendOver sends the next version of records of which one version is known.
func (o *office) sendOver(ctx context.Context, version int64, records []rules.Item) ([]wire.ItemAnswer, error) {
	var all []wire.ItemAnswer
	for from := 0; from < len(records); from += maxItems {
		var batch wire.Batch
		for _, r := range records[from:min(from+maxItems, len(records))] {
			body, err := json.Marshal(r.Record)
			if err != nil {
				return nil, err
			}
			batch.Items = append(batch.Items, wire.Item{Kind: r.Kind, ID: r.ID, BaseVersion: version, Record: strict.Record{Raw: body}})
		}
		body, err := json.Marshal(batch)
		if err != nil {
			return nil, err
		}
		var answer wire.BatchAnswer
		if err := o.call(ctx, http.MethodPost, "/v1/batches", body, &answer); err != nil {
			return nil, err
		}
		all = append(all, answer.Items...)
	}
	for i, a := range all {
		if a.Status != "created" && a.Status != "updated" && a.Status != "replayed" {
			return all, &refusedError{index: i, code: codeOf(a.Problem), text: fmt.Sprintf("%s %s: %s %s", records[i].Kind, a.ID, a.Status, a.Problem)}
		}
	}
	return all, nil
}

func codeOf(problem jsontext.Value) domain.Code {
	var p struct {
		Code domain.Code `json:"code"`
	}
	if json.Unmarshal(problem, &p) != nil {
		return ""
	}
	return p.Code
}

func (o *office) get(ctx context.Context, path string, into any) error {
	return o.call(ctx, http.MethodGet, path, nil, into)
}

// call is one request; the office has a good link.
func (o *office) call(ctx context.Context, method, path string, body []byte, into any) error {
	request, err := http.NewRequestWithContext(ctx, method, o.season.URL+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	request.Header.Set("Authorization", "Bearer "+o.token)
	if body != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	response, err := o.http.Do(request)
	if err != nil {
		return err
	}
	defer func() { _ = response.Body.Close() }()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		return err
	}
	if response.StatusCode >= 300 {
		return fmt.Errorf("%s %s: %d %s", method, path, response.StatusCode, strings.TrimSpace(string(text)))
	}
	if into == nil {
		return nil
	}
	return json.Unmarshal(text, into)
}
