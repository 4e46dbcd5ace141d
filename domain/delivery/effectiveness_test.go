package delivery

import (
	"math"
	"testing"

	"ductledger/domain/stat"

	"pgregory.net/rapid"
)

// house is the worked example: 1,000 cfm, 60,000 Btu/h, 70 °F inside, 40 °F
// under the home, return inside, 200 ft² of supply at R-4.
func house(supplyLeakCFM float64) Ducts {
	return Ducts{
		FanFlowCFM: 1000, HeatingOutputBtuH: 60000,
		IndoorF: 70, SupplyAmbientF: 40, ReturnAmbientF: 70,
		SupplyLeakCFM: supplyLeakCFM,
		SupplyAreaFt2: 200, SupplyRValue: 4,
	}
}

func near(t *testing.T, name string, got, want, tol float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tol {
		t.Errorf("%s: %.17g, want %.17g within %g", name, got, want, tol)
	}
}

func refused(t *testing.T, name string, err error, code, argument string) {
	t.Helper()
	r, ok := err.(*stat.Refusal)
	if !ok {
		t.Errorf("%s: %v, want a refusal", name, err)
		return
	}
	if r.Code != code || r.Argument != argument || r.Detail == "" {
		t.Errorf("%s: refused with %q %q %q, want %q %q", name, r.Code, r.Argument, r.Detail, code, argument)
	}
}

func TestEffective(t *testing.T) {
	tight := house(0)
	tight.SupplyAreaFt2 = 0
	allLost := house(1000)
	warmCrawl := house(100)
	warmCrawl.SupplyAmbientF = 70
	warmCrawl.SupplyAreaFt2 = 0
	coldReturn := Ducts{
		FanFlowCFM: 1000, HeatingOutputBtuH: 54000, IndoorF: 70,
		SupplyAmbientF: 40, ReturnAmbientF: 20, ReturnLeakCFM: 100,
	}
	for _, c := range []struct {
		name   string
		in     Ducts
		want   float64
		tol    float64
		source string
	}{
		{"12 % supply leak", house(120), 0.81868944, 5e-9, "[calc] from the heating form of ASHRAE 152 [mem], by hand"},
		{"2.4 % supply leak", house(24), 0.90800101, 5e-9, "[calc] as above"},
		{"no losses", tight, 1, 0, "definition"},
		{"everything leaks", allLost, 0, 0, "definition: nothing arrives"},
		{"leak only, surroundings as warm as the rooms", warmCrawl, 0.9, 1e-15, "[calc] only the flow is lost"},
		{"return leak only", coldReturn, 0.9, 1e-15, "[calc] 100 cfm × 50 °F × 1.08 = 5,400 of 54,000 Btu/h"},
	} {
		e, err := Effective(c.in)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		near(t, c.name+" ("+c.source+")", e.Ratio, c.want, c.tol)
		b, err := Follow(c.in)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		near(t, c.name+" by following the air", b.Ratio, c.want, math.Max(c.tol, 1e-12))
	}
}

// Temperatures along the loop, each by hand from 1.08 Btu/(h·cfm·°F) [calc].
func TestFollowStations(t *testing.T) {
	b, err := Follow(Ducts{
		FanFlowCFM: 1000, HeatingOutputBtuH: 54000, IndoorF: 70,
		SupplyAmbientF: 40, ReturnAmbientF: 20, SupplyLeakCFM: 50, ReturnLeakCFM: 100,
	})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mixed", b.MixedF, 65, 1e-12)              // 0.9·70 + 0.1·20
	near(t, "plenum", b.PlenumF, 115, 1e-12)           // + 54,000/1,080
	near(t, "register", b.RegisterF, 115, 1e-12)       // no wall
	near(t, "flow", b.RegisterFlowCFM, 950, 0)         // 1,000 − 50
	near(t, "delivered", b.DeliveredBtuH, 46170, 1e-9) // 1.08·950·45
}

func anyDucts(t *rapid.T) Ducts {
	flow := rapid.Float64Range(300, 2000).Draw(t, "fan_flow_cfm")
	in := rapid.Float64Range(60, 80).Draw(t, "indoor_f")
	return Ducts{
		FanFlowCFM:        flow,
		HeatingOutputBtuH: rapid.Float64Range(10000, 150000).Draw(t, "heating_output_btu_h"),
		IndoorF:           in,
		SupplyAmbientF:    in - rapid.Float64Range(0, 100).Draw(t, "supply below rooms"),
		ReturnAmbientF:    in - rapid.Float64Range(0, 100).Draw(t, "return below rooms"),
		SupplyLeakCFM:     flow * rapid.Float64Range(0, 1).Draw(t, "supply leak share"),
		ReturnLeakCFM:     flow * rapid.Float64Range(0, 1).Draw(t, "return leak share"),
		SupplyAreaFt2:     rapid.Float64Range(0, 600).Draw(t, "supply_area_ft2"),
		ReturnAreaFt2:     rapid.Float64Range(0, 300).Draw(t, "return_area_ft2"),
		SupplyRValue:      rapid.Float64Range(0.5, 12).Draw(t, "supply_r_value"),
		ReturnRValue:      rapid.Float64Range(0.5, 12).Draw(t, "return_r_value"),
	}
}

func TestBothWaysAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDucts(t)
		e, err := Effective(d)
		if err != nil {
			t.Fatal(err)
		}
		b, err := Follow(d)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(e.Ratio-b.Ratio) > 1e-12 {
			t.Fatalf("closed form %.17g, following the air %.17g", e.Ratio, b.Ratio)
		}
		if e.Ratio > 1 {
			t.Fatalf("effectiveness %v is above 1", e.Ratio)
		}
	})
}

// More flow, heat and surface in proportion change nothing; more leakage or
// thinner insulation never helps.
func TestScalingAndDirection(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := anyDucts(t)
		e, err := Effective(d)
		if err != nil {
			t.Fatal(err)
		}
		big := d
		for _, q := range []*float64{&big.FanFlowCFM, &big.HeatingOutputBtuH, &big.SupplyLeakCFM, &big.ReturnLeakCFM, &big.SupplyAreaFt2, &big.ReturnAreaFt2} {
			*q *= 3
		}
		scaled, err := Effective(big)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(scaled.Ratio-e.Ratio) > 1e-12 {
			t.Fatalf("three times the size: %v, was %v", scaled.Ratio, e.Ratio)
		}
		if e.Ratio <= 0 {
			return // where the air arrives cold, losing it is no loss
		}
		worse := d
		worse.SupplyLeakCFM += (d.FanFlowCFM - d.SupplyLeakCFM) / 2
		worse.ReturnLeakCFM += (d.FanFlowCFM - d.ReturnLeakCFM) / 2
		worse.SupplyRValue /= 2
		w, err := Effective(worse)
		if err != nil {
			t.Fatal(err)
		}
		if w.Ratio > e.Ratio+1e-12 {
			t.Fatalf("worse ducts: %v, were %v", w.Ratio, e.Ratio)
		}
	})
}

// The derivatives in the uncertainty against differences of the closed form.
func TestEffectivenessUncertainty(t *testing.T) {
	d := house(120)
	d.ReturnAmbientF, d.ReturnLeakCFM, d.ReturnAreaFt2, d.ReturnRValue = 45, 80, 60, 4
	at := func(supply, ret float64) float64 {
		moved := d
		moved.SupplyLeakCFM, moved.ReturnLeakCFM = supply, ret
		e, err := Effective(moved)
		if err != nil {
			t.Fatal(err)
		}
		return e.Ratio
	}
	e, err := Effective(d)
	if err != nil {
		t.Fatal(err)
	}
	bySupply := at(120*1.1, 80) - e.Ratio
	byReturn := at(120, 80*1.1) - e.Ratio
	near(t, "10 % of both leaks", d.uncertainty(e, 0.1), math.Hypot(bySupply, byReturn), 1e-13)
}

func TestDuctsRefused(t *testing.T) {
	zero := 0.0
	for _, c := range []struct {
		name     string
		change   func(*Ducts)
		code     string
		argument string
	}{
		{"no flow", func(d *Ducts) { d.FanFlowCFM = 0 }, stat.NotPositive, "/fan_flow_cfm"},
		{"flow not a number", func(d *Ducts) { d.FanFlowCFM = math.NaN() }, stat.NotFinite, "/fan_flow_cfm"},
		{"endless heat", func(d *Ducts) { d.HeatingOutputBtuH = math.Inf(1) }, stat.NotFinite, "/heating_output_btu_h"},
		{"a town's furnace", func(d *Ducts) { d.HeatingOutputBtuH = 2e7 }, stat.OutOfRange, "/heating_output_btu_h"},
		{"indoor in kelvin", func(d *Ducts) { d.IndoorF = 294 }, stat.OutOfRange, "/indoor_f"},
		{"summer", func(d *Ducts) { d.SupplyAmbientF = 95 }, stat.OutOfRange, "/supply_ambient_f"},
		{"hot attic return", func(d *Ducts) { d.ReturnAmbientF = 95 }, stat.OutOfRange, "/return_ambient_f"},
		{"negative leak", func(d *Ducts) { d.SupplyLeakCFM = -1 }, stat.Negative, "/supply_leak_cfm"},
		{"leak above flow", func(d *Ducts) { d.SupplyLeakCFM = 1001 }, stat.OutOfRange, "/supply_leak_cfm"},
		{"return leak above flow", func(d *Ducts) { d.ReturnLeakCFM = 1001 }, stat.OutOfRange, "/return_leak_cfm"},
		{"negative area", func(d *Ducts) { d.SupplyAreaFt2 = -1 }, stat.OutOfRange, "/supply_area_ft2"},
		{"wall without R", func(d *Ducts) { d.SupplyRValue = 0 }, stat.NotPositive, "/supply_r_value"},
		{"return wall without R", func(d *Ducts) { d.ReturnAreaFt2 = 10 }, stat.NotPositive, "/return_r_value"},
		{"air without heat", func(d *Ducts) { d.AirHeat = &zero }, stat.NotPositive, "/air_heat_btu_h_cfm_f"},
		{"no heat to speak of", func(d *Ducts) { d.HeatingOutputBtuH = 5e-324 }, stat.OutOfRange, "/heating_output_btu_h"},
	} {
		d := house(120)
		c.change(&d)
		_, err := Effective(d)
		refused(t, c.name, err, c.code, c.argument)
		_, err = Follow(d)
		refused(t, c.name+", followed", err, c.code, c.argument)
	}
}

func TestAirHeatAt(t *testing.T) {
	for _, c := range []struct {
		density, want, tol float64
		source             string
	}{
		{1.2041, 1.08, 1e-15, "definition"},
		{0.9947311, 0.89220961, 5e-9, "[calc] air at 20 °C and 1,609 m: 1.08 × 0.9947311 / 1.2041"},
	} {
		got, err := AirHeatAt(c.density)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.source, got, c.want, c.tol)
	}
	_, err := AirHeatAt(0)
	refused(t, "vacuum", err, stat.NotPositive, "/density_kg_m3")
}

func FuzzEffective(f *testing.F) {
	f.Add(1000.0, 60000.0, 70.0, 40.0, 70.0, 120.0, 0.0, 200.0, 0.0, 4.0, 4.0, 1.08)
	f.Add(1.0, 1.0, 200.0, -100.0, -100.0, 1.0, 0.0, 1e5, 5e-324, 0.01, 1000.0, 0.1)
	f.Add(1e5, 1.0, 200.0, -100.0, -100.0, 5e-324, 5e-324, 5e-324, 1e5, 1000.0, 0.01, 10.0)
	f.Fuzz(func(t *testing.T, qe, e, in, sa, ra, qs, qr, as, ar, rs, rr, air float64) {
		d := Ducts{qe, e, in, sa, ra, qs, qr, as, ar, rs, rr, &air}
		got, err := Effective(d)
		if err != nil {
			if _, ok := err.(*stat.Refusal); !ok {
				t.Fatalf("%T is not a refusal", err)
			}
			return
		}
		for _, x := range []float64{got.Ratio, got.SupplyFlowRatio, got.ReturnFlowRatio, got.SupplyConductionRatio, got.ReturnConductionRatio, got.EquipmentRiseF, d.uncertainty(got, DefaultLeakRatio)} {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				t.Fatalf("%+v gives %+v", d, got)
			}
		}
		after := d
		after.SupplyLeakCFM /= 2
		after.ReturnLeakCFM /= 2
		therm := 600.0
		saving, err := SavingFromEnergy(d, after, HeatingEnergy{Therm: &therm}, DefaultUncertainty())
		if err != nil {
			return
		}
		for _, x := range []float64{saving.SavingKWh, saving.SavingLowKWh, saving.SavingHighKWh} {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				t.Fatalf("%+v gives %+v", d, saving)
			}
		}
	})
}
