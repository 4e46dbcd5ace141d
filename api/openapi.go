package api

import (
	"context"
	_ "embed"
	"net/http"
	"sync"
	"time"

	"ductledger/api/docs"
	"ductledger/api/frame"
	"ductledger/domain"
)

// The contract is made from the types, the routes and the kinds. It stands at
// the top of the project, where a reader looks for it; embedding reaches no
// parent folder, so a copy is made.
//
//go:generate go test -count 1 -run ^TestContractIsMadeFromTheCode$ . -update
//go:generate go test -count 1 -run ^TestExchangesAreRecorded$ . -exchanges

//go:embed openapi.yaml
var openapiYAML []byte

// openapiJSON is the same as JSON, made once in the life of a program.
var openapiJSON = sync.OnceValues(func() ([]byte, error) { return docs.JSON(openapiYAML) })

// Contract is the contract as JSON, members in the order in which it is written.
func Contract() ([]byte, error) { return openapiJSON() }

// Whether it runs.
type health struct {
	// ok or why not.
	Status string `json:"status"`
}

// livez says that the process answers; whether it can work is readyz's to say.
func (s *Server) livez(context.Context, domain.Caller, *frame.Request) (frame.Answer, error) {
	return frame.Answer{Body: health{"live"}}, nil
}

// readyz says that the database answers.
func (s *Server) readyz(ctx context.Context, _ domain.Caller, _ *frame.Request) (frame.Answer, error) {
	if err := s.ready.ask(ctx, s.db.Ping); err != nil {
		return frame.Answer{}, &domain.Error{Code: domain.Overloaded, Detail: "the database is away"}
	}
	return frame.Answer{Body: health{"ready"}}, nil
}

// readiness lets all who ask at once share one question to the database.
type readiness struct {
	mu    sync.Mutex
	under *question
}

type question struct {
	answered chan struct{}
	err      error
}

func (r *readiness) ask(ctx context.Context, ping func(context.Context) error) error {
	r.mu.Lock()
	q := r.under
	if q == nil {
		q = &question{answered: make(chan struct{})}
		r.under = q
		r.mu.Unlock()
		asking, cancel := context.WithTimeout(context.WithoutCancel(ctx), readyTime)
		q.err = ping(asking)
		cancel()
		r.mu.Lock()
		r.under = nil
		close(q.answered)
	}
	r.mu.Unlock()
	select {
	case <-q.answered:
		return q.err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// readyTime is how long the database may take to answer.
const readyTime = 2 * time.Second

func (s *Server) openapiYAML(context.Context, domain.Caller, *frame.Request) (frame.Answer, error) {
	return frame.Answer{Header: http.Header{"Content-Type": {"application/yaml"}}, Body: openapiYAML}, nil
}

func (s *Server) openapiJSON(context.Context, domain.Caller, *frame.Request) (frame.Answer, error) {
	return frame.Answer{Header: http.Header{"Content-Type": {"application/json"}}, Body: s.contract}, nil
}

// healthOperations are what the contract says of the operations of this file.
func healthOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"getLivez": {
			Tag: "Service", Summary: "The process lives",
			Description: "For whoever restarts it. It says nothing of the database.",
			Gives: []frame.Gives{
				{Status: 200, What: "It lives.", Body: health{}},
			},
		},
		"getReadyz": {
			Tag: "Service", Summary: "The service can do its work",
			Description: "For whoever sends requests to it: the database answers too.",
			Gives: []frame.Gives{
				{Status: 200, What: "It can.", Body: health{}},
			},
			Also: []int{503},
		},
		"getOpenapiYaml": {
			Tag: "Service", Summary: "This file",
			Description: "The contract. Clients are generated from it.",
			Gives: []frame.Gives{
				{Status: 200, What: "This file.", Media: "application/yaml"},
			},
		},
		"getOpenapiJson": {
			Tag: "Service", Summary: "This file as JSON",
			Description: "The same for tools that read no YAML.",
			Gives: []frame.Gives{
				{Status: 200, What: "This file.", Media: "application/json"},
			},
		},
	}
}
