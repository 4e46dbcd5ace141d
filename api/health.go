package api

import (
	"context"
	"net/http"

	"ductledger/domain"
)

// Whether it runs.
type health struct {
	// ok or why not.
	Status string `json:"status"`
}

// livez says that the process answers; whether it can work is readyz's to say.
func (s *Server) livez(context.Context, domain.Caller, *request) (answer, error) {
	return answer{Body: health{"live"}}, nil
}

// readyz says that the database answers.
func (s *Server) readyz(ctx context.Context, _ domain.Caller, _ *request) (answer, error) {
	if err := s.db.Ping(ctx); err != nil {
		return answer{}, &domain.Error{Code: domain.Overloaded, Detail: "the database is away"}
	}
	return answer{Body: health{"ready"}}, nil
}

func (s *Server) openapiYAML(context.Context, domain.Caller, *request) (answer, error) {
	return answer{Header: http.Header{"Content-Type": {"application/yaml"}}, Body: s.contract.yaml}, nil
}

func (s *Server) openapiJSON(context.Context, domain.Caller, *request) (answer, error) {
	return answer{Header: http.Header{"Content-Type": {"application/json"}}, Body: s.contract.json}, nil
}
