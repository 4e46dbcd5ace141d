package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/domain/performance"
	performancedb "ductledger/storage/performance"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// A period whose figures were published. It never changes.
type publicationRef struct {
	ID     domain.UUID `json:"publication_id"`
	From   domain.Date `json:"from"`
	Before domain.Date `json:"before"`
	// The place in the program's one order of accepted versions.
	Position      int64  `json:"position"`
	AsOfAt        string `json:"as_of_at"`
	MethodVersion string `json:"method_version"`
	InputDigest   string `json:"input_digest"`
	// SHA-256 of the figures as staff read them, as 64 hex digits.
	AnswerDigest string `json:"answer_digest"`
	PublishedAt  string `json:"published_at"`
	// The person who published it.
	PublishedBy         string      `json:"published_by,omitzero"`
	PublishedByPersonID domain.UUID `json:"published_by_person_id,omitzero"`
}

func refOf(p *performancedb.Publication) publicationRef {
	return publicationRef{p.ID, p.From, p.Before, p.Position, ledger.Stamp(p.AsOfAt), p.MethodVersion,
		hex.EncodeToString(p.InputDigest), hex.EncodeToString(p.AnswerDigest), ledger.Stamp(p.PublishedAt), p.PublishedBy, p.PublishedByPerson}
}

// publishedRefs are the publications of the same period that were made before
// the position that is asked for.
func publishedRefs(p *performancedb.Population) (refs []publicationRef, err error) {
	list, err := p.Published(false)
	for i := range list {
		refs = append(refs, refOf(&list[i]))
	}
	return refs, err
}

// trends are the months of each contractor's line as published, by id.
type trends map[string][]performance.TrendPoint

func trendsOf(p *performancedb.Publication) (t trends, err error) {
	if err := json.Unmarshal([]byte(p.Trends), &t); err != nil {
		return nil, fmt.Errorf("publication %s: %w", p.ID, err)
	}
	return t, nil
}

// A period that has ended, and where to cut the history; the head without.
type publicationBody struct {
	From   domain.Date `json:"from"`
	Before domain.Date `json:"before"`
	// The place in the program's one order of accepted versions.
	Position int64 `json:"position,omitzero" validate:"omitempty,gte=0"`
}

// Published periods, the newest first.
type publicationList struct {
	Items []publicationRef `json:"items"`
	Next  string           `json:"next,omitzero"`
}

// What was published, and the same period as it stands now.
type publishedFigures struct {
	publicationRef
	Published jsontext.Value    `json:"figures" schema:"Performance"`
	Restated  performanceAnswer `json:"restated"`
}

// publish freezes the figures of a period that has ended: the position, and
// what staff read there.
func (s *Server) publish(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body publicationBody
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	var made performancedb.Publication
	err := performancedb.Read(ctx, s.db, caller.Program, body.From, body.Before, body.Position, func(p *performancedb.Population) error {
		if s.now().Before(p.Period.Before) {
			return domain.InvalidFields([]domain.Fault{{Pointer: "/before", Code: "too_large",
				Detail: fmt.Sprintf("the period ends on %s, which is to come", body.Before), Fix: "publish it when it has ended"}})
		}
		return freeze(p, &body, &made)
	})
	if e := (*domain.Error)(nil); errors.As(err, &e) && e.Code == domain.BadQuery { // what is a bad query elsewhere is a bad body here
		bad := *e
		bad.Code = domain.Invalid
		return frame.Answer{}, &bad
	}
	if err != nil {
		return frame.Answer{}, err
	}
	kept, created, err := performancedb.Publish(ctx, s.db, caller, made)
	if err != nil {
		return frame.Answer{}, err
	}
	a := frame.Answer{Status: http.StatusCreated, Body: refOf(&kept), Header: http.Header{"Location": {"/v1/performance/publications/" + kept.ID.String()}}}
	if !created {
		a.Status = http.StatusOK
		a.Header.Set("Idempotent-Replay", "true")
	}
	return a, nil
}

// freeze computes what is published.
func freeze(p *performancedb.Population, body *publicationBody, made *performancedb.Publication) error {
	c, err := compare(p, keptMonths{all: true})
	if err != nil {
		return err
	}
	a := performanceAnswer{figuresHead: headAt(body.From, body.Before, p), Program: c.Program, Model: &c.Model, Contractors: c.Contractors}
	a.InputDigest, a.PreviousInputDigest = c.InputDigest, c.previous
	lines := trends{}
	for i := range c.Contractors {
		points, _, err := c.trend(&c.Contractors[i], nil)
		if err != nil {
			return err
		}
		if len(points) > 0 {
			lines[c.Contractors[i].ContractorID.String()] = points
		}
	}
	text, err := frame.BodyBytes(a)
	if err != nil {
		return err
	}
	drawn, err := frame.BodyBytes(lines)
	if err != nil {
		return err
	}
	inputs, err := hex.DecodeString(a.InputDigest)
	if err != nil {
		return err
	}
	digest := sha256.Sum256(text)
	*made = performancedb.Publication{From: body.From, Before: body.Before, Position: p.Position, AsOfAt: p.AsOfAt, MethodVersion: a.MethodVersion,
		InputDigest: inputs, AnswerDigest: digest[:], Answer: string(text), Trends: string(drawn)}
	return nil
}

// listPublications answers what was published, the newest first.
func (s *Server) listPublications(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	pages := frame.PageOf(caller, "performance_publications")
	var after domain.UUID
	if text := r.Query.Get("after"); text != "" {
		var err error
		if after, err = pages.Read(text); err != nil {
			return frame.Answer{}, err
		}
	}
	list, err := performancedb.Publications(ctx, s.db, caller.Program, after, r.Limit()+1)
	if err != nil {
		return frame.Answer{}, err
	}
	a := publicationList{Items: []publicationRef{}}
	for i := range list {
		if i == r.Limit() {
			a.Next = pages.Write(list[i-1].ID)
			break
		}
		a.Items = append(a.Items, refOf(&list[i]))
	}
	return frame.Answer{Body: a}, nil
}

// publication answers what was published and, beside it, the same period as
// it stands now.
func (s *Server) publication(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	stored, err := performancedb.ReadPublication(ctx, s.db, caller.Program, id)
	if err != nil {
		return frame.Answer{}, err
	}
	a := publishedFigures{publicationRef: refOf(&stored), Published: jsontext.Value(stored.Answer)}
	err = performancedb.Read(ctx, s.db, caller.Program, stored.From, stored.Before, r.Position(), func(p *performancedb.Population) (err error) {
		a.Restated, err = figuresBy(p, performance.ByContractor, headAt(stored.From, stored.Before, p), true)
		return err
	})
	return frame.Answer{Body: a}, err
}

// performancePublicationOperations are what the contract says of the operations of this file.
func performancePublicationOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"listPublications": {
			Tag: "Performance", Summary: "Published periods, the newest first",
			Description: "What was published stays as it was; later figures of the period stand beside it.",
			Query:       frame.PageQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The publications.", Body: publicationList{}},
			},
		},
		"publishPerformance": {
			Tag: "Performance", Summary: "Publish the figures of a period that has ended",
			Description: "Keeps the position, the method's version, the digests of what went in and came out, and the answer itself. Later " +
				"figures of the same period stand beside it as restated. Publishing again at one position gives the same " +
				"publication.",
			Takes:   publicationBody{},
			Example: jsontext.Value(`{"from": "2026-07-01", "before": "2026-10-01"}`),
			Gives: []frame.Gives{
				{Status: 200, What: "It was published before; nothing was changed now.", Body: publicationRef{}, Headers: []string{"Idempotent-Replay", "Location"}},
				{Status: 201, What: "It is published.", Body: publicationRef{}, Headers: []string{"Location"}},
			},
		},
		"getPublication": {
			Tag: "Performance", Summary: "What was published, and the same period restated",
			Description: "Both by the same method, so that a difference comes from what was recorded since.",
			Query:       frame.PositionQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "Both figures.", Body: publishedFigures{}},
			},
		},
	}
}
