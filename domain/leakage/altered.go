package leakage

import (
	"strconv"

	"ductledger/domain/stat"
)

// Scope says which leakage a route looks at.
type Scope string

// The scopes.
const (
	ScopeTotal   Scope = "total"
	ScopeOutside Scope = "outside"
)

// A Route is one way to satisfy a rule for altered ducts. All demands that it
// states must hold; a nil demand is not made.
type Route struct {
	Name             string
	Scope            Scope
	AtMostShare      *float64 // after, fraction of the air-handler flow
	AtMostPer100Ft2  *float64 // after, cfm25 per 100 ft² of floor
	AtMostCFM25      *float64 // after, cfm25
	AtLeastReduction *float64 // ratio, of before
	AllSealed        bool     // every leak that can be reached is sealed, seen and shown with smoke
	Source           string
}

// Alteration is what is known of altered ducts. Nil and 0 mean not known.
type Alteration struct {
	Total            *Measured[TotalLeakage]   // after
	Outside          *Measured[OutsideLeakage] // after
	TotalReduction   *Reduction
	OutsideReduction *Reduction
	AirHandlerCFM    float64
	AirHandlerU      float64 // relative standard uncertainty; 0 for a nominal flow
	FloorAreaFt2     float64
	AllSealed        *bool
}

// A RouteOutcome is the answer of one route.
type RouteOutcome struct {
	Route    string
	Decision Decision
	Demands  []DemandOutcome // in the order of Route's fields
}

// A DemandOutcome is the answer of one demand.
type DemandOutcome struct {
	Demand   string // at_most_share_ratio, at_most_cfm25_per_100ft2, at_most_cfm25, at_least_reduction_ratio, all_sealed
	Value    float64
	U        float64 // standard uncertainty, in the unit of Value
	Limit    float64
	Decision Decision
}

// JudgeAlteration judges altered ducts by the routes; guard as in Decide.
// Leakage and flow in cfm, areas in ft², reductions and shares as fractions.
//
// A route passes when all its demands pass; it fails when one fails, is not
// known when an input is absent, asks for a new test otherwise. The alteration
// passes when one route passes; else it asks for a new test when a route does,
// is not known when a route is not, fails when all routes fail. Uncertainties
// of leakage and flow are combined: u² = u_leak² + u_flow², relative.
//
// Refused: no route (too_few, /routes), a route without a demand or with an
// unknown scope (/routes/i), a figure that is not finite or not positive.
// Sources: the routes name theirs; uncertainties, JCGM 100 (GUM) 5.1.2 [pub].
func JudgeAlteration(a Alteration, routes []Route, guard float64) (Decision, []RouteOutcome, error) {
	if len(routes) == 0 {
		return "", nil, stat.Refuse(stat.TooFew, "/routes", "", "0 routes, at least 1 is needed")
	}
	if err := a.check(); err != nil {
		return "", nil, err
	}
	outcomes, decision := make([]RouteOutcome, len(routes)), Fails
	for i, route := range routes {
		outcome, err := route.judge(a, guard)
		if err != nil {
			return "", nil, stat.Under("/routes/"+strconv.Itoa(i), err)
		}
		outcomes[i] = outcome
		decision = better(decision, outcome.Decision)
	}
	return decision, outcomes, nil
}

// better is the decision of two routes of which one is enough.
func better(a, b Decision) Decision {
	for _, d := range []Decision{Passes, Retest, NotKnown} {
		if a == d || b == d {
			return d
		}
	}
	return Fails
}

// worse is the decision of two demands that must both hold.
func worse(a, b Decision) Decision {
	for _, d := range []Decision{Fails, NotKnown, Retest} {
		if a == d || b == d {
			return d
		}
	}
	return Passes
}
