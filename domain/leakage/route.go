package leakage

import "ductledger/domain/stat"

// judge weighs each demand of the route.
func (r Route) judge(a Alteration, guard float64) (RouteOutcome, error) {
	leakage, u, reduction, err := a.of(r.Scope)
	if err != nil {
		return RouteOutcome{}, err
	}
	out := RouteOutcome{Route: r.Name, Decision: Passes}
	add := func(name string, known bool, value, u, limit float64, lower bool) error {
		d := DemandOutcome{Demand: name, Limit: limit, Decision: NotKnown}
		if err := stat.Finite("/"+name, limit, "the demand's unit"); err != nil {
			return err
		}
		if known {
			d.Value, d.U = value, u
			sign := 1.0
			if lower {
				sign = -1
			}
			if d.Decision, err = Decide(sign*value, u, sign*limit, guard); err != nil {
				return err
			}
		}
		out.Demands = append(out.Demands, d)
		out.Decision = worse(out.Decision, d.Decision)
		return nil
	}
	known := leakage > 0
	if r.AtMostShare != nil {
		share := 0.0
		if a.AirHandlerCFM > 0 {
			share = leakage / a.AirHandlerCFM
		}
		if err := add("at_most_share_ratio", known && a.AirHandlerCFM > 0, share, share*root(u, a.AirHandlerU), *r.AtMostShare, false); err != nil {
			return out, err
		}
	}
	if r.AtMostPer100Ft2 != nil {
		per := 0.0
		if a.FloorAreaFt2 > 0 {
			per = areaUnit * leakage / a.FloorAreaFt2
		}
		if err := add("at_most_cfm25_per_100ft2", known && a.FloorAreaFt2 > 0, per, per*u, *r.AtMostPer100Ft2, false); err != nil {
			return out, err
		}
	}
	if r.AtMostCFM25 != nil {
		if err := add("at_most_cfm25", known, leakage, leakage*u, *r.AtMostCFM25, false); err != nil {
			return out, err
		}
	}
	if r.AtLeastReduction != nil {
		var ratio Figure
		if reduction != nil {
			ratio = reduction.Ratio
		}
		if err := add("at_least_reduction_ratio", reduction != nil, ratio.Value, ratio.U, *r.AtLeastReduction, true); err != nil {
			return out, err
		}
	}
	if r.AllSealed {
		sealed := 0.0
		if a.AllSealed != nil && *a.AllSealed {
			sealed = 1
		}
		if err := add("all_sealed", a.AllSealed != nil, sealed, 0, 1, true); err != nil {
			return out, err
		}
	}
	if len(out.Demands) == 0 {
		return out, stat.Refuse(stat.TooFew, "", "", "the route makes no demand: anything would pass")
	}
	return out, nil
}

// of gives leakage (0: not known), its relative uncertainty and the reduction in a scope.
func (a Alteration) of(s Scope) (leakage, u float64, r *Reduction, err error) {
	switch s {
	case ScopeTotal:
		if a.Total != nil {
			leakage, u = float64(a.Total.CFM25), a.Total.Uncertainty.Relative()
		}
		return leakage, u, a.TotalReduction, nil
	case ScopeOutside:
		if a.Outside != nil {
			leakage, u = float64(a.Outside.CFM25), a.Outside.Uncertainty.Relative()
		}
		return leakage, u, a.OutsideReduction, nil
	}
	return 0, 0, nil, stat.Refuse(stat.OutOfRange, "/quantity", "", "%.40q is neither %q nor %q", string(s), ScopeTotal, ScopeOutside)
}

func (a Alteration) check() error {
	if a.Total != nil {
		if err := stat.Positive("/total/after_cfm25", float64(a.Total.CFM25), "cfm"); err != nil {
			return err
		}
		if err := a.Total.Uncertainty.check("/total"); err != nil {
			return err
		}
	}
	if a.Outside != nil {
		if err := stat.Positive("/outside/after_cfm25", float64(a.Outside.CFM25), "cfm"); err != nil {
			return err
		}
		if err := a.Outside.Uncertainty.check("/outside"); err != nil {
			return err
		}
	}
	if err := stat.NotBelowZero("/air_handler_cfm", a.AirHandlerCFM, "cfm"); err != nil {
		return err
	}
	if err := stat.Within("/air_handler_u_ratio", a.AirHandlerU, 0, 10, "(fraction of 1)"); err != nil {
		return err
	}
	return stat.NotBelowZero("/floor_area_ft2", a.FloorAreaFt2, "ft²")
}
