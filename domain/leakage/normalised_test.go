package leakage_test

import (
	"math"
	"testing"

	"ductledger/domain/leakage"
	"ductledger/domain/stat"
)

func TestNominalFlow(t *testing.T) {
	get := func(v float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	near(t, "nominal flow, cooling", get(leakage.FlowFromCooling(2.5)), 1000, 0, "400 cfm per ton, California Energy Code JA9 [pub]")
	near(t, "nominal flow, heating", get(leakage.FlowFromHeating(60000)), 1302, 1e-9, "21.7 cfm per 1,000 Btu/h, the same")
	_, err := leakage.FlowFromHeating(0)
	refused(t, "heating", err, stat.NotPositive, "/heating_btu_h")
	_, err = leakage.FlowFromCooling(math.Inf(1))
	refused(t, "cooling", err, stat.NotFinite, "/cooling_tons")
}

func TestDecide(t *testing.T) {
	for _, c := range []struct {
		name            string
		value, u, limit float64
		want            leakage.Decision
	}{
		{"4.000 of at most 4", 4, 0, 4, leakage.Passes},
		{"just over, no uncertainty", 4.0001, 0, 4, leakage.Fails},
		{"guarded pass at the edge", 100 - 1.645*8, 8, 100, leakage.Passes},
		{"inside the band, below", 100 - 1.644*8, 8, 100, leakage.Retest},
		{"inside the band, above", 100 + 1.644*8, 8, 100, leakage.Retest},
		{"beyond the band", 100 + 1.646*8, 8, 100, leakage.Fails},
		{"lower limit by signs: 70 % of at least 60 %", -0.70, 0.02, -0.60, leakage.Passes},
	} {
		got, err := leakage.Decide(c.value, c.u, c.limit, leakage.GuardOneSided)
		if err != nil || got != c.want {
			t.Errorf("%s: %s, %v; want %s", c.name, got, err, c.want)
		}
	}
	_, err := leakage.Decide(1, -1, 2, 1.645)
	refused(t, "uncertainty", err, stat.Negative, "/uncertainty")
	_, err = leakage.Decide(math.NaN(), 1, 2, 1.645)
	refused(t, "value", err, stat.NotFinite, "/value")
}

// californiaAlteredDucts are the alternative routes for altered ducts in the
// residential California Energy Code §150.2(b)1, figures of the editions
// 2008 to 2019 recalled from memory [mem].
func californiaAlteredDucts() []leakage.Route {
	source := "California Energy Code 150.2(b)1, editions 2008 to 2019 [mem]"
	fifteen, ten, sixty := 0.15, 0.10, 0.60
	return []leakage.Route{
		{Name: "total_share", Scope: leakage.ScopeTotal, AtMostShare: &fifteen, Source: source},
		{Name: "outside_share", Scope: leakage.ScopeOutside, AtMostShare: &ten, Source: source},
		{Name: "reduction_and_sealed", Scope: leakage.ScopeTotal, AtLeastReduction: &sixty, AllSealed: true, Source: source},
		{Name: "all_sealed", Scope: leakage.ScopeTotal, AllSealed: true, Source: source},
	}
}

func TestJudgeAlteration(t *testing.T) {
	routes := californiaAlteredDucts()
	total := func(cfm float64) *leakage.Measured[leakage.TotalLeakage] {
		return &leakage.Measured[leakage.TotalLeakage]{CFM25: leakage.TotalLeakage(cfm), Uncertainty: leakage.Uncertainty{Random: 0.03}}
	}
	reduction := func(before, after float64) *leakage.Reduction {
		r, err := leakage.Reduce(*total(before), *total(after), leakage.DefaultReductionParameters())
		if err != nil {
			t.Fatal(err)
		}
		return &r
	}
	yes, no := true, false
	for _, c := range []struct {
		name   string
		in     leakage.Alteration
		want   leakage.Decision
		routes []leakage.Decision // total share, outside share, reduction and sealed, all sealed
	}{
		{"tight", leakage.Alteration{Total: total(120), AirHandlerCFM: 1000, AllSealed: &no}, leakage.Passes,
			[]leakage.Decision{leakage.Passes, leakage.NotKnown, leakage.Fails, leakage.Fails}},
		{"within the guard band", leakage.Alteration{Total: total(150), AirHandlerCFM: 1000, AllSealed: &no}, leakage.Retest,
			[]leakage.Decision{leakage.Retest, leakage.NotKnown, leakage.Fails, leakage.Fails}},
		{"leaky, much reduced and sealed", leakage.Alteration{Total: total(200), TotalReduction: reduction(700, 200), AirHandlerCFM: 1000, AllSealed: &yes}, leakage.Passes,
			[]leakage.Decision{leakage.Fails, leakage.NotKnown, leakage.Passes, leakage.Passes}},
		{"leaky, much reduced, not sealed", leakage.Alteration{Total: total(200), TotalReduction: reduction(700, 200), AirHandlerCFM: 1000, AllSealed: &no}, leakage.NotKnown,
			[]leakage.Decision{leakage.Fails, leakage.NotKnown, leakage.Fails, leakage.Fails}},
		{"nothing known", leakage.Alteration{}, leakage.NotKnown,
			[]leakage.Decision{leakage.NotKnown, leakage.NotKnown, leakage.NotKnown, leakage.NotKnown}},
		{"all fail", leakage.Alteration{Total: total(300), Outside: &leakage.Measured[leakage.OutsideLeakage]{CFM25: 200}, AirHandlerCFM: 1000, AllSealed: &no}, leakage.Fails,
			[]leakage.Decision{leakage.Fails, leakage.Fails, leakage.Fails, leakage.Fails}},
	} {
		got, outcomes, err := leakage.JudgeAlteration(c.in, routes, leakage.GuardOneSided)
		if err != nil || got != c.want {
			t.Errorf("%s: %s, %v; want %s", c.name, got, err, c.want)
			continue
		}
		for i, o := range outcomes {
			if o.Decision != c.routes[i] {
				t.Errorf("%s: route %s %s, want %s", c.name, o.Route, o.Decision, c.routes[i])
			}
		}
	}

	// A measured flow brings its own uncertainty: 142 of 1000 passes 15 % with
	// 3 % on the leakage (0.1490), not with 4 % on the flow besides (0.1537).
	measured := leakage.Alteration{Total: total(142), AirHandlerCFM: 1000}
	for _, way := range []struct {
		u    float64
		want leakage.Decision
	}{{0, leakage.Passes}, {0.04, leakage.Retest}} {
		measured.AirHandlerU = way.u
		if got, _, err := leakage.JudgeAlteration(measured, routes[:1], leakage.GuardOneSided); err != nil || got != way.want {
			t.Errorf("flow known to %v: %s, %v; want %s", way.u, got, err, way.want)
		}
	}

	limit := 4.0
	perArea := []leakage.Route{{Name: "per area", Scope: leakage.ScopeTotal, AtMostPer100Ft2: &limit}}
	exact := leakage.Measured[leakage.TotalLeakage]{CFM25: 56}
	if got, _, err := leakage.JudgeAlteration(leakage.Alteration{Total: &exact, FloorAreaFt2: 1400}, perArea, 1.645); err != nil || got != leakage.Passes {
		t.Errorf("56 cfm25 and 1,400 ft² against 4: %s, %v", got, err)
	}
	_, _, err := leakage.JudgeAlteration(leakage.Alteration{}, nil, 1.645)
	refused(t, "no route", err, stat.TooFew, "/routes")
	_, _, err = leakage.JudgeAlteration(leakage.Alteration{}, []leakage.Route{{Scope: leakage.ScopeTotal}}, 1.645)
	refused(t, "no demand", err, stat.TooFew, "/routes/0")
	_, _, err = leakage.JudgeAlteration(leakage.Alteration{}, []leakage.Route{{Scope: "attic", AllSealed: true}}, 1.645)
	refused(t, "scope", err, stat.OutOfRange, "/routes/0/quantity")
}
