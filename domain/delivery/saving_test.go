package delivery

import (
	"math"
	"strings"
	"testing"

	"ductledger/domain/stat"

	"pgregory.net/rapid"
)

func TestSavingRatio(t *testing.T) {
	for _, c := range []struct {
		name          string
		before, after float64
		want, tol     float64
		source        string
	}{
		{"the right quotient", 0.8, 0.9, 1.0 / 9, 1e-15, "[calc] not 0.125, which is 0.9/0.8 − 1"},
		{"eight homes", 0.69, 0.83, 0.16867469879518, 1e-13, "69 % to 83 % in eight instrumented homes: OSTI 20006305, 1998 [pub]; quotient [calc]"},
		{"nothing changed", 0.8, 0.8, 0, 0, "definition"},
		{"worse", 0.8, 0.64, -0.25, 1e-15, "[calc]"},
	} {
		got, err := SavingRatio(c.before, c.after)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.name+" ("+c.source+")", got, c.want, c.tol)
	}
	for _, c := range []struct {
		before, after float64
		code          string
		argument      string
	}{
		{0, 0.9, stat.OutOfRange, "/before"},
		{-0.1, 0.9, stat.OutOfRange, "/before"},
		{80, 0.9, stat.OutOfRange, "/before"},
		{0.8, 1.0000001, stat.OutOfRange, "/after"},
		{0.8, math.NaN(), stat.NotFinite, "/after"},
		{1, 5e-324, stat.OutOfRange, "/after"},
	} {
		_, err := SavingRatio(c.before, c.after)
		refused(t, "saving", err, c.code, c.argument)
	}
}

// With the return inside, walls and weather cancel: the saving is that of the
// flows, 1 − 880/976 = 6/61 [calc], whatever R, area and cold.
func TestSavingOfFlowsAlone(t *testing.T) {
	c, err := Compare(house(120), house(24), DefaultUncertainty())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "6/61", c.SavingRatio, 6.0/61, 1e-15)
	if c.SavingRatio == c.After.Ratio/c.Before.Ratio-1 {
		t.Error("the saving is after/before − 1")
	}
	rapid.Check(t, func(t *rapid.T) {
		b, a := house(120), house(24)
		b.SupplyAmbientF = rapid.Float64Range(-20, 70).Draw(t, "ambient")
		b.SupplyAreaFt2 = rapid.Float64Range(0, 300).Draw(t, "area")
		a.SupplyAmbientF, a.SupplyAreaFt2 = b.SupplyAmbientF, b.SupplyAreaFt2
		c, err := Compare(b, a, DefaultUncertainty())
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(c.SavingRatio-6.0/61) > 1e-13 {
			t.Fatalf("saving %v, want 6/61", c.SavingRatio)
		}
	})
}

func TestCompareUncertainty(t *testing.T) {
	u := DefaultUncertainty()
	c, err := Compare(house(120), house(24), u)
	if err != nil {
		t.Fatal(err)
	}
	// b/a = 880/976; u(b)/b = 0.0267·120/880, u(a)/a = 0.0267·24/976 [calc].
	want := 880.0 / 976 * math.Hypot(0.0267*120/880, 0.0267*24/976)
	near(t, "from the tests", c.LeakContribution, want, 1e-15)
	near(t, "from the model", c.ModelContribution, 0.25*6/61, 1e-15)
	near(t, "both", c.SavingURatio, math.Hypot(want, 0.25*6/61), 1e-15)
	if !c.Distinguishable {
		t.Error("a saving of 4 standard uncertainties is not told from none")
	}
	c, err = Compare(house(120), house(119), u)
	if err != nil {
		t.Fatal(err)
	}
	if c.Distinguishable {
		t.Error("1 cfm of 120 is told from none by tests good to 2.7 %")
	}
}

func TestCompareRefused(t *testing.T) {
	colder, cold, tooMuch := house(24), house(120), house(24)
	colder.SupplyAmbientF = 30
	cold.HeatingOutputBtuH = 1000
	tooMuch.SupplyLeakCFM = 2000
	u := DefaultUncertainty()
	_, err := Compare(house(120), colder, u)
	refused(t, "other weather", err, ConditionsDiffer, "/after/supply_ambient_f")
	coldAfter := house(24)
	coldAfter.HeatingOutputBtuH = 1000
	_, err = Compare(cold, coldAfter, u)
	refused(t, "air arrives colder than the room", err, stat.OutOfRange, "/before")
	_, err = Compare(house(120), tooMuch, u)
	refused(t, "leak above flow after", err, stat.OutOfRange, "/after/supply_leak_cfm")
	_, err = Compare(tooMuch, house(24), u)
	refused(t, "leak above flow before", err, stat.OutOfRange, "/before/supply_leak_cfm")
	u.ModelRatio = 25
	_, err = Compare(house(120), house(24), u)
	refused(t, "percent for a fraction", err, stat.OutOfRange, "/uncertainty/model_u_ratio")
	u = DefaultUncertainty()
	u.Coverage = 0
	_, err = Compare(house(120), house(24), u)
	refused(t, "no coverage", err, stat.NotPositive, "/uncertainty/coverage_factor")
}

func ptr(x float64) *float64 { return &x }

func TestHeatingEnergy(t *testing.T) {
	for _, c := range []struct {
		name   string
		in     HeatingEnergy
		want   float64
		tol    float64
		source string
	}{
		{"kWh", HeatingEnergy{KWh: ptr(1)}, 3412.141633, 5e-7, "NIST SP 811 B.9: 1 Btu (IT) = 1,055.05585262 J [mem]"},
		{"therm", HeatingEnergy{Therm: ptr(600)}, 6e7, 0, "100,000 Btu a therm, NIST SP 811 B.8 [mem]"},
		{"Btu", HeatingEnergy{Btu: ptr(123)}, 123, 0, "definition"},
	} {
		got, err := c.in.InBtu()
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.name+" ("+c.source+")", got, c.want, c.tol)
	}
	_, err := HeatingEnergy{}.InBtu()
	refused(t, "none", err, stat.NotComplete, "/heating_energy_kwh")
	_, err = HeatingEnergy{KWh: ptr(9000), Therm: ptr(300)}.InBtu()
	refused(t, "two", err, stat.TooMany, "/heating_energy_therm")
	_, err = HeatingEnergy{KWh: ptr(0)}.InBtu()
	refused(t, "nothing used", err, stat.NotPositive, "/heating_energy_kwh")
	_, err = HeatingEnergy{Btu: ptr(1e11)}.InBtu()
	refused(t, "a town", err, stat.OutOfRange, "/heating_energy_btu")
}

func TestSavingFromEnergy(t *testing.T) {
	u := DefaultUncertainty()
	e, err := SavingFromEnergy(house(120), house(24), HeatingEnergy{KWh: ptr(12200)}, u)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "12,200 kWh × 6/61 [calc]", e.SavingKWh, 1200, 1e-9)
	near(t, "in therm", e.SavingTherm, 1200*0.03412141633, 1e-7)
	c, _ := Compare(house(120), house(24), u)
	near(t, "u [calc]", e.SavingUKWh, math.Hypot(120, 12200*c.SavingURatio), 1e-9)
	near(t, "low", e.SavingLowKWh, 1200-1.96*e.SavingUKWh, 1e-9)
	near(t, "high", e.SavingHighKWh, 1200+1.96*e.SavingUKWh, 1e-9)
	if e.Method != ByEffectiveness || e.EnergyFrom != FromHeatingEnergy || e.MethodVersion == "" {
		t.Errorf("method %q, energy from %q, version %q", e.Method, e.EnergyFrom, e.MethodVersion)
	}
	sentence(t, e, "an estimate, not a promise")

	worse, err := SavingFromEnergy(house(24), house(120), HeatingEnergy{KWh: ptr(12200)}, u)
	if err != nil {
		t.Fatal(err)
	}
	if worse.SavingKWh >= 0 || worse.SavingLowKWh >= worse.SavingHighKWh {
		t.Errorf("worse ducts: %+v", worse)
	}
	sentence(t, worse, "uses more energy than before")
	same, err := SavingFromEnergy(house(120), house(119), HeatingEnergy{Therm: ptr(400)}, u)
	if err != nil {
		t.Fatal(err)
	}
	sentence(t, same, "includes no saving at all")
}

func sentence(t *testing.T, e Estimate, part string) {
	t.Helper()
	if !strings.Contains(e.Statement, part) {
		t.Errorf("%q does not say %q", e.Statement, part)
	}
}

func TestDegreeDays(t *testing.T) {
	// The year's energy [calc] from ASHRAE's form [mem].
	loss := HeatLoss{UABtuHF: 500, DegreeDays: 5000, EquipmentRatio: 0.8}
	btu, err := loss.EnergyBefore(0.75)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "24·500·5,000/(0.8·0.75)", btu, 1e8, 1e-6)

	_, err = HeatLoss{UABtuHF: 500, DegreeDays: 5000}.EnergyBefore(0.8)
	refused(t, "no efficiency", err, stat.NotPositive, "/equipment_efficiency")
	_, err = HeatLoss{UABtuHF: -5, DegreeDays: 5000, EquipmentRatio: 1}.EnergyBefore(0.8)
	refused(t, "a home that gains", err, stat.NotPositive, "/ua_btu_h_f")
	_, err = HeatLoss{UABtuHF: 500, DegreeDays: 5000, EquipmentRatio: 1}.EnergyBefore(80)
	refused(t, "percent for a fraction", err, stat.OutOfRange, "/before")
	_, err = HeatLoss{UABtuHF: 9e4, DegreeDays: 2e4, EquipmentRatio: 1}.EnergyBefore(0.8)
	refused(t, "a town", err, stat.OutOfRange, "/ua_btu_h_f")
	_, err = HeatLoss{UABtuHF: 500, DegreeDays: 50000, EquipmentRatio: 1}.EnergyBefore(0.8)
	refused(t, "the pole", err, stat.OutOfRange, "/degree_days_f_day")
}

// Degree days and bills are two routes to one saving: with the energy that
// the degree days imply they agree, and both equal 24·UA·HDD/η·(1/b − 1/a).
func TestRoutesAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		before, after := house(rapid.Float64Range(0, 500).Draw(t, "before")), house(rapid.Float64Range(0, 500).Draw(t, "after"))
		loss := HeatLoss{
			UABtuHF:        rapid.Float64Range(100, 1500).Draw(t, "ua"),
			DegreeDays:     rapid.Float64Range(500, 10000).Draw(t, "hdd"),
			EquipmentRatio: rapid.Float64Range(0.6, 3).Draw(t, "eta"),
		}
		u := DefaultUncertainty()
		u.HeatLossRatio = u.EnergyRatio
		byDays, err := SavingFromDegreeDays(before, after, loss, u)
		if err != nil {
			t.Fatal(err)
		}
		byBills, err := SavingFromEnergy(before, after, HeatingEnergy{KWh: byDays.BeforeKWh}, u)
		if err != nil {
			t.Fatal(err)
		}
		b, _ := Effective(before)
		a, _ := Effective(after)
		want := 24 * loss.UABtuHF * loss.DegreeDays / loss.EquipmentRatio * (1/b.Ratio - 1/a.Ratio)
		tol := 1e-12 * *byDays.BeforeKWh * BtuPerKWh
		if math.Abs(byDays.SavingBtu-want) > tol || math.Abs(byBills.SavingBtu-want) > tol {
			t.Fatalf("degree days %v, bills %v, want %v Btu", byDays.SavingBtu, byBills.SavingBtu, want)
		}
		if math.Abs(byDays.SavingLowKWh-byBills.SavingLowKWh) > tol {
			t.Fatalf("low ends %v and %v", byDays.SavingLowKWh, byBills.SavingLowKWh)
		}
	})
}

// northwestFigures are one region's published figures: 1,543 and 2,477 kWh a year in heating zones 1 and 2, Northwest
// Regional Technical Forum, August 2013 [pub]. adoptedOn is the program's
// own day.
func northwestFigures(adoptedOn string) []DeemedFigure {
	const source = "Northwest Regional Technical Forum, August 2013"
	return []DeemedFigure{
		{Zone: "heating_zone_1", SavingKWh: 1543, AdoptedOn: adoptedOn, Source: source},
		{Zone: "heating_zone_2", SavingKWh: 2477, AdoptedOn: adoptedOn, Source: source},
	}
}

func TestSavingDeemed(t *testing.T) {
	figures := northwestFigures("2026-10-01")
	for _, c := range []struct {
		zone   string
		want   float64
		source string
	}{
		{"heating_zone_1", 1543, "Northwest Regional Technical Forum, August 2013 [pub]"},
		{"heating_zone_2", 2477, "Northwest Regional Technical Forum, August 2013 [pub]"},
	} {
		e, err := SavingDeemed(figures, c.zone, DefaultUncertainty())
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.zone+" ("+c.source+")", e.SavingKWh, c.want, 0)
		// 150 of 1,258 kWh over more than 400 homes, ACEEE 1998 [pub].
		near(t, "low", e.SavingLowKWh, c.want*(1-1.96*150/1258), 1e-9)
		near(t, "high", e.SavingHighKWh, c.want*(1+1.96*150/1258), 1e-9)
		if e.Method != ByDeemedFigure || e.AdoptedOn != "2026-10-01" || !strings.Contains(e.Source, "2013") {
			t.Errorf("%+v does not name method, day and source", e)
		}
		sentence(t, e, "an estimate, not a promise")
	}
	figures[0].URatio = ptr(0.6)
	e, err := SavingDeemed(figures, "heating_zone_1", DefaultUncertainty())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "its own uncertainty", e.SavingLowKWh, 1543*(1-1.96*0.6), 1e-9)
	sentence(t, e, "includes no saving at all")

	_, err = SavingDeemed(figures, "heating_zone_3", DefaultUncertainty())
	refused(t, "other zone", err, ZoneUnknown, "/zone")
	_, err = SavingDeemed(append(figures, figures[1]), "heating_zone_2", DefaultUncertainty())
	refused(t, "two figures", err, ZoneTwice, "/deemed_figures/2/zone")
	for _, c := range []struct {
		name     string
		figure   DeemedFigure
		code     string
		argument string
	}{
		{"no zone", DeemedFigure{SavingKWh: 1, AdoptedOn: "2026-10-01", Source: "s"}, stat.NotComplete, "/deemed_figures/0/zone"},
		{"no figure", DeemedFigure{Zone: "z", AdoptedOn: "2026-10-01", Source: "s"}, stat.NotPositive, "/deemed_figures/0/saving_kwh"},
		{"no day", DeemedFigure{Zone: "z", SavingKWh: 1, AdoptedOn: "October", Source: "s"}, stat.NotComplete, "/deemed_figures/0/adopted_on"},
		{"uncertainty in percent", DeemedFigure{Zone: "z", SavingKWh: 1, AdoptedOn: "2026-10-01", Source: "s", URatio: ptr(12)}, stat.OutOfRange, "/deemed_figures/0/u_ratio"},
		{"no source", DeemedFigure{Zone: "z", SavingKWh: 1, AdoptedOn: "2026-10-01"}, stat.NotComplete, "/deemed_figures/0/source"},
	} {
		_, err := SavingDeemed([]DeemedFigure{c.figure}, "z", DefaultUncertainty())
		refused(t, c.name, err, c.code, c.argument)
	}
}
