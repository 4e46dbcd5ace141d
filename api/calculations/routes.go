package calculations

import (
	"ductledger/api/frame"

	"github.com/go-json-experiment/json/jsontext"
)

// calculationRoutes are the rows of the table of routes; they have all else in common.
func Routes(like frame.Route) []frame.Route {
	row := func(name, operation string, handle frame.Handler) frame.Route {
		like.Method, like.Pattern, like.Operation, like.Handle = "POST", "/v1/calculations/"+name, operation, handle
		return like
	}
	return []frame.Route{
		row("fan-test", "calculateFanTest", calculateFanTest),
		row("subtraction", "calculateSubtraction", calculateSubtraction),
		row("pan", "calculatePan", calculatePan),
		row("reduction", "calculateReduction", calculateReduction),
		row("repair-steps", "calculateRepairSteps", calculateRepairSteps),
		row("limit", "calculateLimit", calculateLimit),
		row("delivery", "calculateDelivery", calculateDelivery),
		row("cut-list", "calculateCutList", calculateCutList),
	}
}

// calculationOperations are what the contract says of them.
func Operations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"calculateFanTest": {
			Tag: "Calculations", Summary: "Leakage from the readings of a fan test",
			Description: "Q = C·ΔP^n, with Q in cfm and ΔP in Pa. One reading takes an exponent (0.6); two give an exact line; three and " +
				"more a least-squares line of ln Q on ln ΔP with 95 % limits. An exponent outside 0.5 to 1.0 is refused with code " +
				"`exponent_out_of_range`. Answers are not rounded.\n\n" +
				"The flow is as read (`flow_cfm`), or follows from the fan's own pressure and range by `flow_equations`, those of " +
				"the instrument's own certificate. Zero-flow pressures are subtracted first. With a direction and both " +
				"temperatures the air is reckoned with by one of four cases; the answer says which, with the temperatures used, " +
				"and what is neglected or assumed. With `reference_air` leakage is then carried to air of 20 °C at the sea.",
			Takes:   FanTest{},
			Example: jsontext.Value(`{"readings": [{"pressure_pa": 50, "flow_cfm": 263}, {"pressure_pa": 25, "flow_cfm": 174}], "reference_pressure_pa": 25}`),
			Gives: []frame.Gives{
				{Status: 200, What: "The leakage at the reference pressure.", Body: fanTestAnswer{}},
			},
		},
		"calculateSubtraction": {
			Tag: "Calculations", Summary: "Leakage by a blower door, whole home less masked registers",
			Description: "SCF = 1/(1−((P−H)/P)^n) with P the home's pressure and H the home's pressure against the ducts, both in Pa; " +
				"leakage at P = (whole − masked)·SCF in cfm. Answers are not rounded.",
			Takes:   SubtractionTest{},
			Example: jsontext.Value(`{"house_pressure_pa": 50, "whole_cfm": 1850, "masked_cfm": 1610, "house_to_duct_pa": 44, "exponent": 0.65}`),
			Gives: []frame.Gives{
				{Status: 200, What: "The leakage.", Body: subtractionAnswer{}},
			},
		},
		"calculatePan": {
			Tag: "Calculations", Summary: "A pass of pan readings",
			Description: "The largest and the middle reading, and how many are over the target. A reading with the home at another " +
				"pressure is carried in proportion. Readings have no sum and no mean: registers of one trunk share a leak.",
			Takes:   PanPass{},
			Example: jsontext.Value(`{"house_pressure_pa": 50, "readings": [{"register": "A1", "trunk": "A", "pan_pa": 1.2}, {"register": "A2", "trunk": "A", "pan_pa": 0.4}]}`),
			Gives: []frame.Gives{
				{Status: 200, What: "The pass.", Body: PanPassAnswer{}},
			},
		},
		"calculateReduction": {
			Tag: "Calculations", Summary: "Leakage before against after",
			Description: "d = ln(before/after), ratio = 1 − after/before, with the uncertainty of both tests; what one instrument did to " +
				"both cancels. Total leakage and leakage to outside are different quantities and are refused together.",
			Takes:   ReductionTests{},
			Example: jsontext.Value(`{"before": {"quantity": "total", "leakage_cfm25": 318}, "after": {"quantity": "total", "leakage_cfm25": 120.7}, "floor_area_ft2": 1568}`),
			Gives: []frame.Gives{
				{Status: 200, What: "The reduction.", Body: reductionAnswer{}},
			},
		},
		"calculateRepairSteps": {
			Tag: "Calculations", Summary: "What each repair took away",
			Description: "From fan tests before, between and after repairs, at one duct pressure: leak flows of parallel leaks add, so " +
				"that the steps add up to before less after. Pan readings do not add and have no steps.",
			Takes:   RepairSeries{},
			Example: jsontext.Value(`{"before": {"leakage_cfm25": 318, "uncertainty_cfm25": 8.5}, "interim": [{"repair_kinds": ["furnace_joint"], "leakage_cfm25": 240, "uncertainty_cfm25": 6.4}], "after": {"repair_kinds": ["boot"], "leakage_cfm25": 120.7, "uncertainty_cfm25": 3.2}}`),
			Gives: []frame.Gives{
				{Status: 200, What: "The steps.", Body: repairStepsAnswer{}},
			},
		},
		"calculateLimit": {
			Tag: "Calculations", Summary: "Leakage against a limit",
			Description: "`passes` where the figure and its guard band lie on the right side of the limit, `fails` where both lie on the " +
				"wrong one, `retest` between. Of several routes one is enough; within a route all that it demands must hold. The " +
				"limits are the caller's: those of the edition that binds the program.",
			Takes:   LimitTest{},
			Example: jsontext.Value(`{"total": {"after_cfm25": 120.7}, "floor_area_ft2": 1568, "routes": [{"name": "by_area", "quantity": "total", "at_most_cfm25_per_100ft2": 8}]}`),
			Gives: []frame.Gives{
				{Status: 200, What: "The decision.", Body: limitAnswer{}},
			},
		},
		"calculateDelivery": {
			Tag: "Calculations", Summary: "Delivery effectiveness and savings",
			Description: "How much of the furnace's heat reaches the rooms, by a closed form and again by following the air round the " +
				"loop. With the ducts after the work, the share of heating energy that is no longer needed, 1 − before/after; and " +
				"a year's saving by each method for which figures are sent. A saving is an estimate with a range, never a " +
				"promise.",
			Takes:   DeliveryTest{},
			Example: jsontext.Value(`{"before": {"fan_flow_cfm": 1000, "heating_output_btu_h": 60000, "indoor_f": 70, "supply_ambient_f": 40, "return_ambient_f": 70, "supply_leak_cfm": 120, "return_leak_cfm": 0, "supply_area_ft2": 200, "return_area_ft2": 0, "supply_r_value": 4, "return_r_value": 4}}`),
			Gives: []frame.Gives{
				{Status: 200, What: "Effectiveness and estimates.", Body: deliveryAnswer{}},
			},
		},
		"calculateCutList": {
			Tag: "Calculations", Summary: "What to cut and how much material",
			Description: "Blanks, plugs, bracket strips, patches, screws, bands, mesh and mastic for one job or for a day's jobs. Waste is " +
				"added once, to the sum. With `used`, the material that was used is set beside the list.",
			Takes:   CutListWork{},
			Example: jsontext.Value(`{"jobs": [{"sloped_blanks": [{"place": "A rear", "duct_width_in": 14, "duct_height_in": 5, "run_in": 8, "screwed_to_side_walls": true}], "duct_patches": [{"length_in": 6, "width_in": 8}]}]}`),
			Gives: []frame.Gives{
				{Status: 200, What: "The pieces and totals.", Body: cutListAnswer{}},
			},
		},
	}
}
