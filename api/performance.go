package api

import (
	"context"

	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/domain/performance"
	"ductledger/storage"
)

// performanceAnswer is a comparison as it is read: days as they were asked,
// the position that they stand for, and only what the caller may see by name.
type performanceAnswer struct {
	From          domain.Date              `json:"from"`
	Before        domain.Date              `json:"before"`
	AsOfAt        string                   `json:"as_of_at"`
	Position      int64                    `json:"position"`
	MethodVersion string                   `json:"method_version"`
	Program       performance.Summary      `json:"program"`
	Model         *performance.Model       `json:"model,omitzero"`
	Contractors   []performance.Contractor `json:"contractors,omitzero"`
	Contractor    *performance.Contractor  `json:"contractor,omitzero"`
	Groups        []performance.Group      `json:"groups,omitzero"`
}

// performance answers the figures of a period: by contractor, or in groups.
// Contractors and the funder read the programme's without names.
func (s *Server) performance(ctx context.Context, caller domain.Caller, r *request) (answer, error) {
	by := r.Query.Get("by")
	if by == "repair_type" {
		return answer{}, domain.Errorf(domain.BadQuery, "by: what each kind of repair brings stands at /v1/repair-effects")
	}
	a := newPerformance(r)
	err := s.db.Population(ctx, caller.Program, a.From, a.Before, positionOf(r), func(period performance.Period, p storage.Population) error {
		a.asOf(&p)
		if by != "" && by != string(performance.ByContractor) && !caller.Scoped() && caller.Role != domain.Funder {
			g, err := performance.CompareGroupsStream(p.Jobs, period, performance.By(by), p.Names)
			a.MethodVersion, a.Program, a.Groups = g.MethodVersion, g.Program, g.Groups
			return refused(err)
		}
		c, err := performance.CompareStream(p.Jobs, period, p.Names)
		a.MethodVersion, a.Program = c.MethodVersion, c.Program
		if !caller.Scoped() && caller.Role != domain.Funder {
			a.Model, a.Contractors = &c.Model, c.Contractors
		}
		return refused(err)
	})
	return answer{Body: a}, err
}

// contractorPerformance answers one contractor's figures with the programme's
// beside them. A contractor reads its own.
func (s *Server) contractorPerformance(ctx context.Context, caller domain.Caller, r *request) (answer, error) {
	id, err := pathID(r)
	if err != nil {
		return answer{}, err
	}
	if caller.Role == domain.ContractorRole && caller.Contractor != id {
		return answer{}, domain.Errorf(domain.NotFound, "there is no such contractor")
	}
	a := newPerformance(r)
	err = s.db.Population(ctx, caller.Program, a.From, a.Before, positionOf(r), func(period performance.Period, p storage.Population) error {
		a.asOf(&p)
		if _, known := p.Names[id]; !known {
			return domain.Errorf(domain.NotFound, "there is no such contractor")
		}
		c, err := performance.CompareStream(p.Jobs, period, p.Names)
		if err != nil {
			return refused(err)
		}
		a.MethodVersion, a.Program = c.MethodVersion, c.Program
		for i := range c.Contractors {
			if c.Contractors[i].ContractorID == id {
				a.Contractor = &c.Contractors[i]
			}
		}
		return nil
	})
	return answer{Body: a}, err
}

func newPerformance(r *request) performanceAnswer {
	return performanceAnswer{From: domain.Date(r.Query.Get("from")), Before: domain.Date(r.Query.Get("before"))}
}

func (a *performanceAnswer) asOf(p *storage.Population) {
	a.Position, a.AsOfAt = p.Position, ledger.Stamp(p.AsOfAt)
}
