package api

import (
	"context"

	"ductledger/domain"
	"ductledger/domain/delivery"
	"ductledger/domain/stat"
)

type deliveryBody struct {
	Before        delivery.Ducts          `json:"before"`
	After         *delivery.Ducts         `json:"after,omitzero"`
	HeatingEnergy *delivery.HeatingEnergy `json:"heating_energy,omitzero"`
	HeatLoss      *delivery.HeatLoss      `json:"heat_loss,omitzero"`
	DeemedFigures []delivery.DeemedFigure `json:"deemed_figures,omitzero"`
	Zone          string                  `json:"zone,omitzero"`
	Uncertainty   delivery.Uncertainty    `json:"uncertainty"` // what is not sent keeps its default
}

type deliveryAnswer struct {
	Method        string              `json:"method"`
	Before        deliveryState       `json:"before"`
	After         *deliveryState      `json:"after,omitzero"`
	Comparison    *comparisonAnswer   `json:"comparison,omitzero"`
	Savings       []delivery.Estimate `json:"savings,omitzero"`
	MethodVersion string              `json:"method_version"`
	Inputs        deliveryBody        `json:"inputs"`
}

// deliveryState is one state of the ducts, computed both ways.
type deliveryState struct {
	Ratio  float64                `json:"delivery_effectiveness_ratio"`
	Closed delivery.Effectiveness `json:"closed_form"`
	Air    delivery.Balance       `json:"air_followed"`
}

type comparisonAnswer struct {
	SavingRatio     float64 `json:"saving_ratio"`
	SavingURatio    float64 `json:"saving_u_ratio"`
	FromLeak        float64 `json:"saving_u_from_leak_ratio"`
	FromModel       float64 `json:"saving_u_from_model_ratio"`
	Distinguishable bool    `json:"distinguishable"`
}

// delivery computes effectiveness, and savings by each method that has its
// figures.
func (s *Server) delivery(_ context.Context, _ domain.Caller, r *request) (answer, error) {
	body := deliveryBody{Uncertainty: delivery.DefaultUncertainty()}
	if err := s.contract.decode("calculateDelivery", r.Body, &body); err != nil {
		return answer{}, err
	}
	out := deliveryAnswer{Method: delivery.EffectivenessMethod, MethodVersion: delivery.EffectivenessVersion, Inputs: body}
	before, err := stateOf(body.Before, "/before")
	if err != nil {
		return answer{}, refused(err)
	}
	out.Before = before
	if body.After != nil {
		after, err := stateOf(*body.After, "/after")
		if err != nil {
			return answer{}, refused(err)
		}
		c, err := delivery.Compare(body.Before, *body.After, body.Uncertainty)
		if err != nil {
			return answer{}, refused(renamed(err, "/before_ratio", "/before", "/after_ratio", "/after"))
		}
		out.After = &after
		out.Comparison = &comparisonAnswer{c.SavingRatio, c.SavingURatio, c.LeakContribution, c.ModelContribution, c.Distinguishable}
	}
	if out.Savings, err = body.savings(); err != nil {
		return answer{}, refused(err)
	}
	return answer{Body: out}, nil
}

func stateOf(d delivery.Ducts, place string) (deliveryState, error) {
	closed, err := delivery.Effective(d)
	if err != nil {
		return deliveryState{}, stat.Under(place, err)
	}
	air, err := delivery.Follow(d)
	return deliveryState{closed.Ratio, closed, air}, stat.Under(place, err)
}

func (b *deliveryBody) savings() (list []delivery.Estimate, err error) {
	add := func(e delivery.Estimate, err error, pairs ...string) error {
		list = append(list, e)
		return renamed(err, pairs...)
	}
	if b.HeatingEnergy != nil {
		const at = "/heating_energy"
		e, err := delivery.SavingFromEnergy(b.Before, *b.After, *b.HeatingEnergy, b.Uncertainty)
		if err := add(e, err, "/heating_energy_kwh", at+"/heating_energy_kwh", "/heating_energy_therm", at+"/heating_energy_therm",
			"/heating_energy_btu", at+"/heating_energy_btu"); err != nil {
			return nil, err
		}
	}
	if b.HeatLoss != nil {
		const at = "/heat_loss"
		e, err := delivery.SavingFromDegreeDays(b.Before, *b.After, *b.HeatLoss, b.Uncertainty)
		if err := add(e, err, "/ua_btu_h_f", at+"/ua_btu_h_f", "/degree_days_f_day", at+"/degree_days_f_day",
			"/equipment_efficiency", at+"/equipment_efficiency", "/before_ratio", "/before"); err != nil {
			return nil, err
		}
	}
	if len(b.DeemedFigures) > 0 {
		e, err := delivery.SavingDeemed(b.DeemedFigures, b.Zone, b.Uncertainty)
		if err := add(e, err); err != nil {
			return nil, err
		}
	}
	return list, nil
}
