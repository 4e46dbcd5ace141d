package api_test

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
)

// at walks into an answer: "inputs.accuracy.flow_u_ratio", "jobs.0.totals".
func at(value any, path string) any {
	for name := range strings.SplitSeq(path, ".") {
		switch v := value.(type) {
		case map[string]any:
			value = v[name]
		case []any:
			i := 0
			if _, err := fmt.Sscan(name, &i); err != nil || i >= len(v) {
				return nil
			}
			value = v[i]
		default:
			return nil
		}
	}
	return value
}

type wanted struct {
	path string
	want any     // float64, string or bool; nil: absent
	tol  float64 // of a number
}

func (w wanted) check(t *testing.T, answer any) {
	t.Helper()
	got := at(answer, w.path)
	number, isNumber := w.want.(float64)
	if value, ok := got.(float64); isNumber && ok {
		if !(math.Abs(value-number) <= w.tol) {
			t.Errorf("%s is %v, want %v ± %v", w.path, value, number, w.tol)
		}
		return
	}
	if got != w.want {
		t.Errorf("%s is %v, want %v", w.path, got, w.want)
	}
}

// Figures and their sources: [pub] published, [mem] published and recalled
// from memory, [calc] arithmetic from the formula that stands in the contract.
func TestCalculations(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	for _, row := range []struct {
		name, path, body string
		want             []wanted
	}{
		// Q·(25/P)^0.6 as in ANSI/RESNET/ICC 380 [mem]; digits [calc]
		{"one reading", "fan-test", `{"readings":[{"pressure_pa":15,"flow_cfm":320}]}`, []wanted{
			{"method", "one_point", 0}, {"leakage_cfm", 434.76966, 5e-6}, {"extrapolated", true, 0},
			{"inputs.assumed_exponent", 0.6, 0}, {"inputs.reference_pressure_pa", 25.0, 0}, {"method_version", "fan-test-2", 0}}},
		{"uncertainty of one reading", "fan-test", `{"readings":[{"pressure_pa":25,"flow_cfm":100}]}`, []wanted{
			{"uncertainty.relative_u_ratio", 0.026683328128, 5e-12}, {"extrapolated", false, 0}}}, // 2.67 % [calc], JCGM 100 4.3.7 [pub]
		{"a certificate with k = 2", "fan-test", `{"readings":[{"pressure_pa":25,"flow_cfm":100}],"accuracy":{"flow_accuracy_ratio":0.03,"coverage_factor":2,"repeatability_u_ratio":0,"pressure_accuracy_ratio":0}}`,
			[]wanted{{"uncertainty.relative_u_ratio", 0.015, 1e-12}, {"inputs.accuracy.flow_u_ratio", 0.015, 1e-15}}}, // a/k, JCGM 100 4.3.3 [pub]
		// ordinary least squares in logarithms by another program [calc]; t(0.975, 1) = 12.7062047, NIST TN 1297 table B.1 [pub]
		{"scattered readings", "fan-test", `{"readings":[{"pressure_pa":15,"flow_cfm":150},{"pressure_pa":25,"flow_cfm":200},{"pressure_pa":40,"flow_cfm":270}]}`, []wanted{
			{"exponent", 0.5987537854565513, 1e-12}, {"exponent_se", 0.021699931354889658, 1e-12}, {"leakage_cfm", 202.4728184776924, 1e-9},
			{"log_leakage_se", 0.008696649459212273, 1e-12}, {"exponent_low", 0.323030015685375, 1e-8}, {"degrees_of_freedom", 1.0, 0}}},
		{"by the fan's certificate", "fan-test", `{"readings":[{"pressure_pa":25,"fan_pressure_pa":16,"range":"ring 1"}],"flow_equations":[{"range":"ring 1","coefficient":90,"exponent":0.5,"lowest_pa":10,"highest_pa":250}]}`,
			[]wanted{{"leakage_cfm", 360.0, 1e-9}, {"corrections.0", "flow_equation", 0}, {"corrected_readings.0.flow_cfm", 360.0, 1e-9}}}, // 90·√16 [calc]
		{"zero-flow pressures", "fan-test", `{"readings":[{"pressure_pa":26.5,"flow_cfm":300}],"zero_before_pa":[1,2],"zero_after_pa":[1.5]}`,
			[]wanted{{"leakage_cfm", 300.0, 1e-9}, {"corrections.0", "zero_flow_pressure", 0}, {"corrected_readings.0.pressure_pa", 25.0, 1e-12}}}, // ASTM E779 [mem]
		// ρ(20 °C) 1.2041, ρ(0 °C) 1.292312 kg/m³; 300·ρ_in/ρ_out, then (μ/μ₀)^(2n−1)·(ρ/ρ₀)^(1−n): ASTM E779 [mem], digits by another program [calc]
		{"air, depressurizing", "fan-test", `{"readings":[{"pressure_pa":25,"flow_cfm":300}],"direction":"depressurize","quantity":"outside","inside_f":68,"outside_f":32,"reference_air":true}`,
			[]wanted{{"corrected_readings.0.flow_cfm", 279.5221843003413, 1e-8}, {"leakage_cfm", 284.3829374389788, 1e-8}, {"corrections.1", "reference_air", 0}}},
		{"air, pressurizing", "fan-test", `{"readings":[{"pressure_pa":25,"flow_cfm":300}],"direction":"pressurize","inside_f":68,"outside_f":32,"elevation_ft":0}`,
			[]wanted{
				{"leakage_cfm", 300.0, 0}, {"air.case", "pressurize_home_air", 0}, {"air.leak_flow_factor", 1.0, 0}, {"air.fan_f", 68.0, 1e-12}}},

		// factors as state technical reference manuals reprint them [mem]
		{"subtraction, ducts near the outside", "subtraction", `{"house_pressure_pa":50,"whole_cfm":1850,"masked_cfm":1300,"house_to_duct_pa":15}`, []wanted{{"quality", "undecided", 0}}},
		{"subtraction, SCF 1.54 at 40 Pa", "subtraction", `{"house_pressure_pa":50,"whole_cfm":1850,"masked_cfm":1300,"house_to_duct_pa":40}`, []wanted{{"correction_factor", 1.54, 5e-3}}},
		{"subtraction, SCF 3.54 at 20 Pa", "subtraction", `{"house_pressure_pa":50,"whole_cfm":1850,"masked_cfm":1300,"house_to_duct_pa":20}`, []wanted{{"correction_factor", 3.54, 5e-3}}},

		// two openings in series: ratio 0.1 gives 1.40643 Pa, 1 gives 25 Pa [calc]
		{"pan", "pan", `{"house_pressure_pa":50,"readings":[{"register":"A1","trunk":"A","pan_pa":1.40643},{"register":"A2","trunk":"A","pan_pa":25},{"register":"B1","trunk":"B","pan_pa":0.1}]}`, []wanted{
			{"registers.0.leak_to_opening_ratio", 0.1, 1e-6}, {"registers.1.leak_to_opening_ratio", 1.0, 1e-12}, {"max_pa", 25.0, 0}, {"median_pa", 1.40643, 0},
			{"over_target_count", 2.0, 0}, {"indistinguishable_count", 1.0, 0}, {"shared_trunks.0", "A", 0}, {"inputs.target_pa", 1.0, 0}}},
		{"pan, home at 55 Pa", "pan", `{"house_pressure_pa":55,"readings":[{"register":"A1","pan_pa":1.1},{"register":"A2","pan_pa":2,"house_pressure_pa":50}]}`, []wanted{
			{"registers.0.pan_pa", 1.0, 1e-12}, {"registers.0.over_target", false, 0}, {"registers.1.pan_pa", 2.0, 1e-12}, {"median_pa", 1.5, 1e-12}}},

		// smallest reduction at 2 % repeatability, separate instruments: 1 − e^(−1.96·√2·2.67 %), 7.1 % [calc]
		{"reduction", "reduction", `{"before":{"quantity":"total","leakage_cfm25":318},"after":{"quantity":"total","leakage_cfm25":120.7},"floor_area_ft2":1100}`, []wanted{
			{"reduction_cfm25", 197.3, 1e-12}, {"reduction_ratio", 0.6204402515723271, 1e-15}, {"log_reduction", 0.9687432546766911, 1e-14},
			{"smallest_reduction_ratio", 0.07129339866098972, 1e-12}, {"change", "reduced", 0}}},
		{"reduction per area, 150 cfm25 and 1,100 ft²", "reduction", `{"before":{"quantity":"outside","leakage_cfm25":150},"after":{"quantity":"outside","leakage_cfm25":149},"floor_area_ft2":1100,"same_instrument":true}`, []wanted{
			{"before_cfm25_per_100ft2", 13.63636, 5e-6}, {"distinguishable", false, 0}, {"note", "not distinguishable from no change by these tests", 0}, {"inputs.shared_calibration", 1.0, 0}}},

		{"repair steps", "repair-steps", `{"before":{"leakage_cfm25":318,"uncertainty_cfm25":4},"interim":[{"repair_kinds":["furnace_joint"],"leakage_cfm25":240,"uncertainty_cfm25":3},{"repair_kinds":["crossover","boot"],"leakage_cfm25":236,"uncertainty_cfm25":3}],"after":{"repair_kinds":["trunk_end"],"leakage_cfm25":121,"uncertainty_cfm25":2}}`, []wanted{
			{"steps.0.reduction_cfm25", 78.0, 0}, {"steps.0.uncertainty_cfm25", 5.0, 1e-12}, {"steps.1.shared", true, 0}, {"steps.1.distinguishable", false, 0},
			{"sum_cfm25", 197.0, 1e-9}, {"reduction_cfm25", 197.0, 0}, {"add_up", true, 0}}},

		{"4.000 passes at most 4", "limit", `{"total":{"after_cfm25":56},"floor_area_ft2":1400,"guard_factor":0,"routes":[{"name":"by_area","quantity":"total","at_most_cfm25_per_100ft2":4}]}`,
			[]wanted{{"decision", "passes", 0}, {"routes.0.demands.0.value", 4.0, 1e-12}}},
		{"4.000 with a guard band", "limit", `{"total":{"after_cfm25":56},"floor_area_ft2":1400,"routes":[{"name":"by_area","quantity":"total","at_most_cfm25_per_100ft2":4}]}`, []wanted{{"decision", "retest", 0}}},
		// 21.7 cfm per 1,000 Btu/h, California Energy Code, Joint Appendix JA9 [pub]
		{"share of a nominal flow, one of two routes", "limit", `{"total":{"before_cfm25":400,"after_cfm25":120},"heating_btu_h":60000,"routes":[{"name":"share","quantity":"total","at_most_share_ratio":0.06},{"name":"reduction","quantity":"total","at_least_reduction_ratio":0.6}]}`, []wanted{
			{"air_handler_cfm", 1302.0, 1e-9}, {"air_handler_from", "heating_btu_h", 0}, {"routes.0.decision", "fails", 0}, {"routes.1.decision", "passes", 0}, {"decision", "passes", 0}}},
		{"a route of the other quantity", "limit", `{"total":{"after_cfm25":56},"floor_area_ft2":1400,"routes":[{"name":"outside","quantity":"outside","at_most_cfm25":100}]}`, []wanted{{"decision", "not_known", 0}, {"routes.0.demands.0.value", nil, 0}}},

		// ASHRAE 152 heating form [mem]; 0.81868944, 0.90800101 and 6/61 [calc]
		{"delivery", "delivery", `{"before":` + ducts(120) + `,"after":` + ducts(24) + `,"heating_energy":{"heating_energy_kwh":6100},"deemed_figures":[{"zone":"1","saving_kwh":1543,"adopted_on":"2026-01-01","source":"Northwest Regional Technical Forum, August 2013"}],"zone":"1"}`, []wanted{
			{"before.delivery_effectiveness_ratio", 0.81868944, 5e-9}, {"after.delivery_effectiveness_ratio", 0.90800101, 5e-9}, {"comparison.saving_ratio", 6.0 / 61, 1e-14},
			{"savings.0.saving_kwh", 600.0, 1e-9}, {"savings.1.saving_kwh", 1543.0, 0}, {"savings.1.method", "deemed_figure", 0}}},

		// √(5² + 8²) + 2·1 in long, 14 + 2·0.25 wide; patch (6 + 2) × (8 + 2) [calc]
		{"cut list", "cut-list", `{"jobs":[{"sloped_blanks":[{"duct_width_in":14,"duct_height_in":5,"run_in":8,"screwed_to_side_walls":true}],"duct_patches":[{"length_in":6,"width_in":8}]}]}`, []wanted{
			{"jobs.0.pieces.0.length_in", 11.433981132, 5e-9}, {"jobs.0.pieces.0.area_in2", 165.79272641, 5e-8}, {"jobs.0.pieces.1.length_in", 8.0, 0}, {"jobs.0.pieces.1.width_in", 10.0, 0},
			{"totals.screws_count", 10.0, 0}, {"totals_with_waste.screws_count", 11.0, 0}, {"inputs.parameters.stock_width_in", 14.0, 0}}},
		{"flat blank, flanges of none, a day of two jobs", "cut-list", `{"jobs":[{"flat_blanks":[{"duct_width_in":14,"duct_height_in":5}]},{"sloped_blanks":[{"duct_width_in":14,"duct_height_in":5,"run_in":5}]}],"used":{"screws_count":30}}`, []wanted{
			{"jobs.0.pieces.0.width_in", 14.5, 0}, {"jobs.0.pieces.0.length_in", 5.5, 0}, {"jobs.0.pieces.0.corner_notch_in", 0.25, 0},
			{"jobs.1.pieces.0.length_in", 9.071067812, 5e-9}, {"used.5.outcome", "more_than_listed", 0}}},
	} {
		t.Run(row.name, func(t *testing.T) {
			var answer any
			a.Do(domain.Funder, "POST", "/v1/calculations/"+row.path, row.body).Want(200).Into(&answer)
			for _, w := range row.want {
				w.check(t, answer)
			}
			if at(answer, "method_version") == nil || at(answer, "method") == nil || at(answer, "inputs") == nil {
				t.Error("no method, version or inputs")
			}
		})
	}
}

// exact are readings of C·P^n.
func exact(c, n float64, pressures ...float64) string {
	lines := make([]string, len(pressures))
	for i, p := range pressures {
		lines[i] = fmt.Sprintf(`{"pressure_pa":%v,"flow_cfm":%v}`, p, c*math.Pow(p, n))
	}
	return `{"readings":[` + strings.Join(lines, ",") + `]}`
}

func ducts(supplyLeak float64) string {
	return fmt.Sprintf(`{"fan_flow_cfm":1000,"heating_output_btu_h":60000,"indoor_f":70,"supply_ambient_f":40,"return_ambient_f":70,
		"supply_leak_cfm":%v,"return_leak_cfm":0,"supply_area_ft2":200,"return_area_ft2":0,"supply_r_value":4}`, supplyLeak)
}

// Every bad field is named, and a computation's refusal points at the argument
// where the request has it.
func TestCalculationsRefuse(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	ring := `"flow_equations":[{"range":"ring 1","coefficient":90,"exponent":0.5,"lowest_pa":10,"highest_pa":250}]`
	for _, row := range []struct {
		name, path, body string
		code             string
		pointers         []string
		detail           string // a part of it
	}{
		{"all of them at once", "fan-test", `{"readings":[{"pressure_pa":-1,"flow_cfm":"x"},{"pressure_pa":25},{"flow_cfm":7,"flow":3}],"reference_pressure_pa":0}`, "invalid",
			[]string{"/readings/0/flow_cfm", "/readings/0/pressure_pa", "/readings/1/flow_cfm", "/readings/2/flow", "/readings/2/pressure_pa", "/reference_pressure_pa"}, ""},
		{"an exponent no leak has", "fan-test", exact(3, 1.3, 10, 20, 50), "exponent_out_of_range", []string{"/readings"}, "1.3"},
		{"a low exponent", "fan-test", exact(3, 0.4, 10, 50), "exponent_out_of_range", []string{"/readings"}, "0.4"},
		{"no spread", "fan-test", `{"readings":[{"pressure_pa":25,"flow_cfm":100},{"pressure_pa":25,"flow_cfm":110}]}`, "invalid", []string{"/readings"}, "25 Pa"},
		{"fewer than asked", "fan-test", `{"readings":[{"pressure_pa":25,"flow_cfm":100}],"minimum_readings_count":5}`, "invalid", []string{"/readings"}, "at least 5"},
		{"an exponent for two", "fan-test", `{"readings":[{"pressure_pa":25,"flow_cfm":100},{"pressure_pa":50,"flow_cfm":150}],"exponent":0.6}`, "invalid", []string{"/exponent"}, ""},
		{"outside the certificate, each reading", "fan-test", `{"readings":[{"pressure_pa":25,"fan_pressure_pa":9,"range":"ring 1"},{"pressure_pa":50,"fan_pressure_pa":300,"range":"ring 1"},{"pressure_pa":40,"fan_pressure_pa":30,"range":"ring 9"}],` + ring + `}`, "invalid",
			[]string{"/readings/0/fan_pressure_pa", "/readings/1/fan_pressure_pa", "/readings/2/range"}, ""},
		{"a fan pressure without equations", "fan-test", `{"readings":[{"pressure_pa":25,"fan_pressure_pa":9,"range":"ring 1"}]}`, "invalid", []string{"/flow_equations"}, ""},
		{"a range without pressure", "fan-test", `{"readings":[{"pressure_pa":25,"range":"ring 1"}]}`, "invalid", []string{"/readings/0/fan_pressure_pa"}, ""},
		{"a range twice", "fan-test", `{"readings":[{"pressure_pa":25,"flow_cfm":9}],"flow_equations":[{"range":"a","coefficient":9,"exponent":0.5},{"range":"a","coefficient":9,"exponent":0.5}]}`, "invalid", []string{"/flow_equations/1/range"}, ""},
		{"less than the offset", "fan-test", `{"readings":[{"pressure_pa":2,"flow_cfm":9}],"zero_before_pa":[3]}`, "invalid", []string{"/readings/0/pressure_pa"}, ""},
		{"a direction without temperatures", "fan-test", `{"readings":[{"pressure_pa":2,"flow_cfm":9}],"direction":"pressurize"}`, "invalid", []string{"/inside_f", "/outside_f"}, ""},
		{"masked above whole", "subtraction", `{"house_pressure_pa":50,"whole_cfm":1000,"masked_cfm":1100,"house_to_duct_pa":44}`, "invalid", []string{"/masked_cfm"}, ""},
		{"ducts above the home", "subtraction", `{"house_pressure_pa":50,"whole_cfm":1000,"masked_cfm":900,"house_to_duct_pa":51}`, "invalid", []string{"/house_to_duct_pa"}, ""},
		{"pan above the home", "pan", `{"house_pressure_pa":50,"readings":[{"register":"A1","pan_pa":50}]}`, "invalid", []string{"/readings/0/pan_pa"}, ""},
		{"total against outside", "reduction", `{"before":{"quantity":"total","leakage_cfm25":300},"after":{"quantity":"outside","leakage_cfm25":100}}`, "invalid", []string{"/after/quantity"}, "never mix"},
		{"steps without repairs", "repair-steps", `{"before":{"leakage_cfm25":1,"uncertainty_cfm25":0},"after":{"leakage_cfm25":1,"uncertainty_cfm25":0}}`, "invalid", []string{"/after/repair_kinds"}, ""},
		{"a route that demands nothing", "limit", `{"routes":[{"name":"free","quantity":"total"}]}`, "invalid", []string{"/routes/0"}, ""},
		{"warmer outside than in", "delivery", `{"before":` + strings.Replace(ducts(100), `"supply_ambient_f":40`, `"supply_ambient_f":80`, 1) + `}`, "invalid", []string{"/before/supply_ambient_f"}, ""},
		{"a leak above the fan's flow", "delivery", `{"before":` + ducts(100) + `,"after":` + ducts(1100) + `}`, "invalid", []string{"/after/supply_leak_cfm"}, ""},
		{"a zone without figure", "delivery", `{"before":` + ducts(100) + `,"deemed_figures":[{"zone":"1","saving_kwh":1543,"adopted_on":"2026-01-01","source":"invented"}],"zone":"2"}`, "invalid", []string{"/zone"}, ""},
		{"energy without the ducts after", "delivery", `{"before":` + ducts(100) + `,"heating_energy":{"heating_energy_kwh":6100}}`, "invalid", []string{"/after"}, ""},
		{"a bracket too wide", "cut-list", `{"jobs":[{},{"brackets":[{"trunk_leg_in":2,"other_leg_in":2,"width_in":3}]}]}`, "invalid", []string{"/jobs/1/brackets/0/width_in"}, ""},
	} {
		t.Run(row.name, func(t *testing.T) {
			p := a.Do(domain.Staff, "POST", "/v1/calculations/"+row.path, row.body).Want(422).Problem()
			if p.Code != row.code || !slices.Equal(p.Pointers(), row.pointers) || !strings.Contains(p.Detail+fmt.Sprint(p.Errors), row.detail) {
				t.Errorf("%s %q %+v, want %s %q", p.Code, p.Pointers(), p, row.code, row.pointers)
			}
		})
	}
}

// Both ways of delivery effectiveness agree to 1e-12, whatever the ducts.
func TestDeliveryBothWays(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	for leak := 0.0; leak <= 600; leak += 150 {
		for _, back := range []float64{0, 80, 300} {
			body := strings.Replace(ducts(leak), `"return_leak_cfm":0,`, fmt.Sprintf(`"return_leak_cfm":%v,`, back), 1)
			body = strings.Replace(body, `"return_ambient_f":70`, `"return_ambient_f":35`, 1)
			body = strings.Replace(body, `"return_area_ft2":0`, `"return_area_ft2":60,"return_r_value":2`, 1)
			var answer any
			a.Do(domain.Staff, "POST", "/v1/calculations/delivery", `{"before":`+body+`}`).Want(200).Into(&answer)
			wanted{"before.air_followed.delivery_effectiveness_ratio", at(answer, "before.delivery_effectiveness_ratio"), 1e-12}.check(t, answer)
		}
	}
}

// The order of readings changes no bit of the answer's figures.
func TestReadingsInAnyOrder(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	figures := func(body string) string {
		var answer map[string]any
		a.Do(domain.Staff, "POST", "/v1/calculations/fan-test", body).Want(200).Into(&answer)
		delete(answer, "inputs")
		text, err := json.Marshal(answer)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	one := figures(`{"readings":[{"pressure_pa":15,"flow_cfm":150},{"pressure_pa":25,"flow_cfm":200},{"pressure_pa":40,"flow_cfm":270},{"pressure_pa":40,"flow_cfm":268}]}`)
	two := figures(`{"readings":[{"pressure_pa":40,"flow_cfm":268},{"pressure_pa":15,"flow_cfm":150},{"pressure_pa":40,"flow_cfm":270},{"pressure_pa":25,"flow_cfm":200}]}`)
	if one != two {
		t.Errorf("%s\n%s", one, two)
	}
}
