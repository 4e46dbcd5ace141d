package rules

import (
	"strings"
	"testing"

	"ductledger/domain"
	"ductledger/domain/delivery"
)

// typical is the home of the check values of delivery effectiveness: 1,000 cfm,
// 60,000 Btu/h, rooms at 70 °F, 40 °F around 200 ft² of supply ducts of R 4.
func typical() *domain.TypicalHeating {
	return &domain.TypicalHeating{Quantity: domain.TotalLeakage, SupplyLeakRatio: 1, FanFlowCFM: 1000, HeatingOutputBtuH: 60000, IndoorF: 70, SupplyAmbientF: 40,
		SupplyAreaFt2: 200, SupplyRValue: new(4.0), HeatingEnergyKWh: new(6100.0)}
}

// estimate judges the clean job with 120 and 24 cfm at 25 Pa by these figures.
func estimate(t *testing.T, change func(*jobUnderTest), figures ...domain.EnergyFigure) *EnergyEstimate {
	t.Helper()
	j := clean(t)
	one[domain.Home](j, 0).ElevationFt = nil
	j.test(0).Readings = []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(120.0)}}
	j.test(1).Readings = []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(24.0)}}
	if change != nil {
		change(j)
	}
	set, faults := NewSet(domain.UUID{1}, &domain.RuleSet{FromOn: "2026-07-01", EnergyFigures: figures})
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return Compute(set, j.assemble()).Energy
}

// Check values [calc] of the heating form of ASHRAE Standard 152 [mem]: a leak of
// 120 cfm leaves 0.81868944 of the heat, one of 24 cfm 0.90800101, so that 6/61
// of the energy is saved: of 6,100 kWh exactly 600.
func TestEnergyByEffectiveness(t *testing.T) {
	e := estimate(t, nil, domain.EnergyFigure{Typical: typical(), Source: "a test"})
	near(t, "effectiveness before", e.EffectivenessBefore, 0.81868944, 5e-9)
	near(t, "effectiveness after", e.EffectivenessAfter, 0.90800101, 5e-9)
	near(t, "saving", e.SavingRatio, 6.0/61, 1e-14)
	near(t, "energy", e.SavingKWh, 600, 1e-9)
	if e.Method != delivery.ByEffectiveness || e.MethodVersion == "" || *e.SavedKWh != 600 || e.FigureNumber != 1 || e.Source != "a test" || !strings.Contains(e.Statement, "estimate") {
		t.Errorf("%+v", e)
	}
	// Half of the width [calc]: 1.96 times the root of (600·0.1)² for the energy, (6100·0.25·6/61)² for the model and
	// the two tests' own, which is the least of the three.
	if half := *e.SavingHighKWh - *e.SavingKWh; half < 1.96*161.55 || half > 1.96*180 {
		t.Errorf("%.1f to %.1f kWh", *e.SavingLowKWh, *e.SavingHighKWh)
	}
	// A share of the leakage: half of 120 and 24 cfm is 60 and 12, and the return's tenth 12 and 2.4.
	half := typical()
	half.SupplyLeakRatio, half.ReturnLeakRatio, half.ReturnAmbientF, half.ReturnAreaFt2, half.ReturnRValue = 0.5, new(0.1), new(50.0), new(20.0), new(4.0)
	e = estimate(t, nil, domain.EnergyFigure{Typical: half, Source: "a test"})
	for name, leaks := range map[string][3]float64{"before": {60, 12, *e.EffectivenessBefore}, "after": {12, 2.4, *e.EffectivenessAfter}} {
		air, err := delivery.Follow(delivery.Ducts{FanFlowCFM: 1000, HeatingOutputBtuH: 60000, IndoorF: 70, SupplyAmbientF: 40, ReturnAmbientF: 50,
			SupplyLeakCFM: leaks[0], ReturnLeakCFM: leaks[1], SupplyAreaFt2: 200, SupplyRValue: 4, ReturnAreaFt2: 20, ReturnRValue: 4})
		if err != nil {
			t.Fatal(err)
		}
		near(t, name+", the air followed", &leaks[2], air.Ratio, 1e-12)
	}
}

// Thin air carries less heat: at 5,279 ft, 1,609 m, air of 20 °C has 0.9947311
// kg/m³ for the 1.2041 of the sea [calc, ASTM E779 [mem]]. At the sea the height
// changes nothing.
func TestEnergyAtAHeight(t *testing.T) {
	at := func(ft float64) func(*jobUnderTest) {
		return func(j *jobUnderTest) { one[domain.Home](j, 0).ElevationFt = &ft }
	}
	figure := domain.EnergyFigure{Typical: typical(), Source: "a test"}
	near(t, "at the sea", estimate(t, at(0), figure).EffectivenessBefore, 0.81868944, 5e-9)
	air, err := delivery.Follow(delivery.Ducts{FanFlowCFM: 1000, HeatingOutputBtuH: 60000, IndoorF: 70, SupplyAmbientF: 40, ReturnAmbientF: 70, SupplyLeakCFM: 120,
		SupplyAreaFt2: 200, SupplyRValue: 4, AirHeat: new(1.08 * 0.9947311 / 1.2041)})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "at 1,609 m", estimate(t, at(1609/0.3048), figure).EffectivenessBefore, air.Ratio, 1e-7)
}

// A year's energy from degree days: 24·UA·HDD/(η·DE) of 500 Btu/(h·°F) and 5,000
// °F·day through ducts that deliver 0.81868944 is 7.32879e7 Btu, 21,478.6 kWh of
// 3,412.14163 Btu; 6/61 of it is 2,112.6 kWh [calc, from ASHRAE's form [mem]].
func TestEnergyFromDegreeDays(t *testing.T) {
	h := typical()
	h.HeatingEnergyKWh, h.UABtuHF, h.DegreeDays, h.EquipmentEfficiency = nil, new(500.0), new(5000.0), new(1.0)
	e := estimate(t, nil, domain.EnergyFigure{Typical: h, Source: "a test"})
	near(t, "energy", e.SavingKWh, 24*500*5000/0.81868944/3412.14163*6/61, 0.001)
}

// The first figure that fits is used, and a job without an estimate says why.
func TestWhichEnergyFigure(t *testing.T) {
	outside, sum := typical(), 1543.0
	outside.Quantity = domain.OutsideLeakage
	small := typical()
	small.FanFlowCFM = 100
	figure := func(change func(*domain.EnergyFigure)) domain.EnergyFigure {
		f := domain.EnergyFigure{Typical: typical(), Source: "a test"}
		change(&f)
		return f
	}
	deemed := domain.EnergyFigure{DeemedKWh: &sum, Source: "a test"}
	outcome := func(o domain.Outcome) func(*jobUnderTest) {
		return func(j *jobUnderTest) { one[domain.Job](j, 0).Outcome = o }
	}
	for _, row := range []struct {
		name    string
		change  func(*jobUnderTest)
		figures []domain.EnergyFigure
		number  int
		reason  string
		method  string
	}{
		{"by the number of sections", nil, []domain.EnergyFigure{figure(func(f *domain.EnergyFigure) { f.SectionCount = new(3) }), deemed}, 2, "", delivery.ByDeemedFigure},
		{"the first of two that fit", nil, []domain.EnergyFigure{deemed, figure(func(*domain.EnergyFigure) {})}, 1, "", delivery.ByDeemedFigure},
		{"a home of no known zone", nil, []domain.EnergyFigure{figure(func(f *domain.EnergyFigure) { f.HeatingZone = "zone_1" })}, 0, NoEnergyFigure, ""},
		{"a home of the zone", func(j *jobUnderTest) { one[domain.Home](j, 0).HeatingZone = "zone_1" },
			[]domain.EnergyFigure{figure(func(f *domain.EnergyFigure) { f.HeatingZone = "zone_1" })}, 1, "", delivery.ByEffectiveness},
		{"another furnace", nil, []domain.EnergyFigure{figure(func(f *domain.EnergyFigure) { f.FurnaceKind = domain.OilFurnace })}, 0, NoEnergyFigure, ""},
		{"another basis of pay", nil, []domain.EnergyFigure{figure(func(f *domain.EnergyFigure) { f.PayBasis = domain.Deemed })}, 0, NoEnergyFigure, ""},
		{"no reading after", func(j *jobUnderTest) { j.test(1).Stage = domain.InspectionStage }, []domain.EnergyFigure{figure(func(*domain.EnergyFigure) {}), deemed}, 1, NoAfter, ""},
		{"another quantity", nil, []domain.EnergyFigure{{Typical: outside, Source: "a test"}}, 1, OtherQuantity, ""},
		{"more leakage than air", nil, []domain.EnergyFigure{{Typical: small, Source: "a test"}}, 1, NotComputed, ""},
		{"nothing was to be done", outcome(domain.NothingToDo), []domain.EnergyFigure{deemed}, 1, NotWorked, ""},
		{"a part, by readings", outcome(domain.Partial), []domain.EnergyFigure{figure(func(*domain.EnergyFigure) {})}, 1, "", delivery.ByEffectiveness},
		{"a part, by a sum for the whole", outcome(domain.Partial), []domain.EnergyFigure{deemed}, 1, NotAllWorked, ""},
		{"no outcome yet", outcome(""), []domain.EnergyFigure{deemed}, 1, NotWorked, ""},
	} {
		t.Run(row.name, func(t *testing.T) {
			e := estimate(t, row.change, row.figures...)
			if e.FigureNumber != row.number || e.Reason != row.reason || e.Method != row.method || (e.SavedKWh == nil) == (row.reason == "") || (e.SavingKWh == nil) != (e.SavedKWh == nil) {
				t.Errorf("%+v", e)
			}
		})
	}
	if e := estimate(t, nil); e != nil {
		t.Errorf("a program that estimates nothing: %+v", e)
	}
	if e := estimate(t, func(j *jobUnderTest) { j.test(1).Readings[0].FlowCFM = new(240.0) }, figure(func(*domain.EnergyFigure) {})); *e.SavedKWh >= 0 || !strings.Contains(e.Statement, "more energy") {
		t.Errorf("leakage rose: %+v", e)
	}
	if e := estimate(t, nil, deemed); *e.SavingKWh != 1543 || *e.SavedKWh != 1543 {
		t.Errorf("a sum comes back as it was set: %+v", e)
	}
}

// What a figure cannot say is refused with its place.
func TestEnergyFiguresThatCannotBe(t *testing.T) {
	bad := func(change func(*domain.TypicalHeating)) domain.EnergyFigure {
		h := typical()
		change(h)
		return domain.EnergyFigure{Typical: h, Source: "a test"}
	}
	_, faults := NewSet(domain.UUID{1}, &domain.RuleSet{FromOn: "2026-07-01", EnergyFigures: []domain.EnergyFigure{
		{Source: "a test"}, {Typical: typical(), DeemedKWh: new(1.0), Source: "a test"}, {Typical: typical(), DeemedURatio: new(0.1), Source: "a test"},
		bad(func(h *domain.TypicalHeating) { h.SupplyAmbientF = 80 }), bad(func(h *domain.TypicalHeating) { h.SupplyRValue = nil }),
		bad(func(h *domain.TypicalHeating) { h.ReturnAreaFt2 = new(30.0) }), bad(func(h *domain.TypicalHeating) { h.HeatingEnergyKWh = nil }),
		bad(func(h *domain.TypicalHeating) { h.UABtuHF = new(500.0) }), bad(func(h *domain.TypicalHeating) { h.HeatingEnergyKWh, h.UABtuHF = nil, new(500.0) }),
	}})
	var got []string
	for _, f := range faults {
		got = append(got, f.Pointer+" "+f.Code)
	}
	want := "/energy_figures/0 one_of_two, /energy_figures/1 one_of_two, /energy_figures/2/deemed_u_ratio not_here, /energy_figures/3/typical/supply_ambient_f out_of_range, " +
		"/energy_figures/4/typical/supply_r_value not_positive, /energy_figures/5/typical/return_r_value not_positive, /energy_figures/6/typical/heating_energy_kwh one_of_two, /energy_figures/7/typical/heating_energy_kwh one_of_two, " +
		"/energy_figures/8/typical/heating_energy_kwh one_of_two"
	if strings.Join(got, ", ") != want {
		t.Errorf("%s", strings.Join(got, ", "))
	}
}
