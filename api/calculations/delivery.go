package calculations

import (
	"cmp"
	"context"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/delivery"
	"ductledger/domain/stat"
)

// The ducts before the work, and after it; with the home's heating for savings.
type DeliveryTest struct {
	Before delivery.Ducts  `json:"before"`
	After  *delivery.Ducts `json:"after,omitzero" validate:"required_with=HeatingEnergy HeatLoss"`
	// Of one year before the work, in one unit.
	HeatingEnergy *delivery.HeatingEnergy `json:"heating_energy,omitzero" validate:"omitempty,max=1,dive,keys,snake,max=60,endkeys"`
	// Of the home, by degree days to its balance point.
	HeatLoss *delivery.HeatLoss `json:"heat_loss,omitzero"`
	// Figures that the program adopted.
	DeemedFigures []delivery.DeemedFigure `json:"deemed_figures,omitzero" validate:"required_with=Zone,omitempty,min=1,max=50,dive"`
	// The zone of the home among the deemed figures.
	Zone string `json:"zone,omitzero" validate:"required_with=DeemedFigures,omitempty,min=1,max=60"`
	// What is not sent keeps its default.
	Uncertainty delivery.Uncertainty `json:"uncertainty" validate:"omitempty"`
}

// Not rounded. Savings are estimates with a range, never promises.
type deliveryAnswer struct {
	// delivery_effectiveness_heating.
	Method string         `json:"method"`
	Before deliveryState  `json:"before"`
	After  *deliveryState `json:"after,omitzero"`
	// saving_ratio is 1 − before/after; with standard uncertainty and whether it can be told from none.
	Comparison *comparisonAnswer `json:"comparison,omitzero"`
	// One estimate for each method that had its figures.
	Savings []delivery.Estimate `json:"savings,omitzero"`
	// The version of the computation.
	MethodVersion string       `json:"method_version"`
	Inputs        DeliveryTest `json:"inputs"`
}

// Effectiveness of one state by the closed form, and by following the air.
type deliveryState struct {
	// Of the closed form; 1 is no loss.
	Ratio float64 `json:"delivery_effectiveness_ratio"`
	// The quantities of the formula.
	Closed delivery.Effectiveness `json:"closed_form"`
	// The air station by station and the same ratio.
	Air delivery.Balance `json:"air_followed"`
}

type comparisonAnswer struct {
	SavingRatio     float64 `json:"saving_ratio"`
	SavingURatio    float64 `json:"saving_u_ratio"`
	FromLeak        float64 `json:"saving_u_from_leak_ratio"`
	FromModel       float64 `json:"saving_u_from_model_ratio"`
	Distinguishable bool    `json:"distinguishable"`
}

// calculateDelivery computes effectiveness, and savings by each method that has its
// figures.
func calculateDelivery(_ context.Context, _ domain.Caller, r *frame.Request) (frame.Answer, error) {
	body := DeliveryTest{Uncertainty: delivery.DefaultUncertainty()}
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	out := deliveryAnswer{Method: delivery.EffectivenessMethod, MethodVersion: delivery.EffectivenessVersion, Inputs: body}
	before, err := stateOf(body.Before, "/before")
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	out.Before = before
	if body.After != nil {
		after, err := stateOf(*body.After, "/after")
		if err != nil {
			return frame.Answer{}, frame.Refused(err)
		}
		c, err := delivery.Compare(body.Before, *body.After, body.Uncertainty)
		if err != nil {
			return frame.Answer{}, frame.Refused(err)
		}
		out.After = &after
		out.Comparison = &comparisonAnswer{c.SavingRatio, c.SavingURatio, c.LeakContribution, c.ModelContribution, c.Distinguishable}
	}
	if out.Savings, err = body.savings(); err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	return frame.Answer{Body: out}, nil
}

func stateOf(d delivery.Ducts, place string) (deliveryState, error) {
	closed, err := delivery.Effective(d)
	if err != nil {
		return deliveryState{}, stat.Under(place, err)
	}
	air, err := delivery.Follow(d)
	return deliveryState{closed.Ratio, closed, air}, stat.Under(place, err)
}

func (b *DeliveryTest) savings() (list []delivery.Estimate, err error) {
	add := func(e delivery.Estimate, failed error) {
		list = append(list, e)
		err = cmp.Or(err, failed)
	}
	if b.HeatingEnergy != nil {
		add(delivery.SavingFromEnergy(b.Before, *b.After, *b.HeatingEnergy, b.Uncertainty))
	}
	if b.HeatLoss != nil {
		add(delivery.SavingFromDegreeDays(b.Before, *b.After, *b.HeatLoss, b.Uncertainty))
	}
	if len(b.DeemedFigures) > 0 {
		add(delivery.SavingDeemed(b.DeemedFigures, b.Zone, b.Uncertainty))
	}
	return list, err
}
