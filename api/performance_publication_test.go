package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"slices"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

type publication struct {
	ID          string `json:"publication_id"`
	InputDigest string `json:"input_digest"`
	PublishedBy string `json:"published_by"`
	Position    int64
}

// A published period stays as it was; what is known later stands beside it.
func TestPublishedPeriods(t *testing.T) {
	t.Parallel()
	a, at := serve(t)
	second, _ := secondContractor(t, a)
	freeze(a, at, frozenHomes(second, 31, 1.3)...)
	ids := freeze(a, at, frozenHomes(a.Contractor, 23, 0.9)...)
	const all = "/v1/performance/publications"
	body := object{"from": "2026-10-01", "before": "2026-11-01"}
	if p := a.Do(domain.Staff, "POST", all, body).Want(422).Problem(); !slices.Equal(p.Pointers(), []string{"/before"}) {
		t.Errorf("a period to come: %+v", p)
	}
	a.Clock.Move(30 * 24 * time.Hour)
	a.Do(domain.Staff, "POST", all, object{"from": "2026-10-01", "before": "2026-11-01", "position": 99999}).Want(422)
	staff := a.Token(t, a.World.Program, storage.Token{Role: domain.Staff, Name: "Sam Invented"})
	shown := a.Send(staff, "GET", "/v1/performance"+inOctober, nil).Want(200).Body
	var made, again publication
	a.Send(staff, "POST", all, body).Want(201).Into(&made)
	replay := a.Do(domain.Admin, "POST", all, body).Want(200)
	if replay.Into(&again); again != made || replay.Header.Get("Idempotent-Replay") != "true" || made.PublishedBy != "Sam Invented" {
		t.Errorf("made %+v, again %+v", made, again)
	}
	var list struct{ Items []publication }
	if a.Do(domain.Staff, "GET", all, nil).Want(200).Into(&list); !slices.Equal(list.Items, []publication{made}) {
		t.Errorf("the list: %+v", list.Items)
	}

	if _, err := at.connect(t).Exec(context.Background(), `UPDATE job_result SET until_position = 2 WHERE job_id = $1`, ids[0]); err != nil {
		t.Fatal(err)
	}
	must(a, a.Tokens[domain.Staff], item(domain.ContractorKind, storagetest.ID(), 0, domain.Contractor{Name: "Another"}))
	var both struct {
		Figures  json.RawMessage
		Restated comparison
	}
	a.Do(domain.Staff, "GET", all+"/"+made.ID, nil).Want(200).Into(&both)
	if !bytes.Equal(both.Figures, shown) {
		t.Errorf("published %s\nwas read as %s", both.Figures, shown)
	}
	if both.Restated.Program.JobsCount != 53 || both.Restated.InputDigest == made.InputDigest || len(both.Restated.Published) != 1 {
		t.Errorf("restated: %+v", both.Restated.Program)
	}
	var now struct {
		Contractor lineOfFigures
		Published  []struct {
			Contractor  lineOfFigures
			PublishedBy string `json:"published_by"`
		}
		Trend []struct {
			Month     string
			N         int
			Published *float64 `json:"published_ewma"`
		}
	}
	a.Do(domain.ContractorRole, "GET", "/v1/contractors/"+a.Contractor.String()+"/performance"+inOctober, nil).Want(200).Into(&now)
	if now.Contractor.JobsCount != 22 || len(now.Published) != 1 || now.Published[0].Contractor.JobsCount != 23 || now.Published[0].PublishedBy != "" {
		t.Errorf("now %+v, published %+v", now.Contractor, now.Published)
	}
	if len(now.Trend) != 1 || now.Trend[0].Month != "2026-10" || now.Trend[0].N != 22 || now.Trend[0].Published == nil {
		t.Errorf("trend: %+v", now.Trend)
	}
	a.Do(domain.Staff, "GET", all+"/"+storagetest.ID().String(), nil).Want(404)
}
