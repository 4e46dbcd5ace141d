package rules

import (
	"testing"

	"ductledger/domain"
)

// How many subjects each rule finds in the clean job, counted by hand from
// its records: 2 trunks, 14 boots, 4 ends, 1 crossover, 3 openings of the
// crew and 1 found, 9 repairs, 1 isolation, 2 readings. A rule that looks at
// too many or too few of them is wrong even where it finds no fault.
func TestSubjectsOfTheCleanJob(t *testing.T) {
	want := map[string]Outcomes{
		"section_described":            {Holds: 2},
		"hole_in_duct_sealed":          {NotApplicable: 1},
		"trunk_sealed":                 {Holds: 2},
		"air_at_every_outlet":          {Holds: 1},
		"outcome_shown":                {Holds: 1},
		"materials_as_listed":          {NotApplicable: 1},
		"survey_before_cutting":        {Holds: 2},
		"wrap_cut_recorded":            {Holds: 3}, // trunk A, its seam, the joint
		"opening_has_target":           {Holds: 3},
		"crew_opening_closed":          {Holds: 3},
		"found_damage_not_charged":     {NotApplicable: 1},
		"wrap_closure_material":        {Holds: 2},
		"insulation_put_back":          {Holds: 2},
		"duct_patch_overlap":           {Holds: 1},
		"duct_patch_coated":            {Holds: 1},
		"mastic_thickness":             {Holds: 1},
		"cut_edge_guarded":             {Holds: 1},
		"access_below_furnace":         {Holds: 2},
		"wide_gap_reinforced":          {Holds: 4},               // joint, seam, twice boots
		"gap_checked_before_mastic":    {Holds: 1, NotJudged: 1}, // boots; of the joint no check photo was taken
		"tape_alone_no_seal":           {Holds: 9},
		"loose_part_fastened":          {Holds: 3}, // A2, A5, B3
		"boot_sealed":                  {Holds: 14},
		"trunk_bracket_screws":         {NotApplicable: 1},
		"takeoff_sealed":               {Holds: 1},
		"trunk_seam_in_reach":          {Holds: 1},
		"furnace_joint_treated":        {Holds: 1},
		"furnace_joint_held":           {Holds: 1},
		"furnace_access_licensed":      {NotApplicable: 1},
		"energy_isolated":              {Holds: 9}, // crossover, trunk, 2 repairs of boots, 4 ends, and the isolation itself
		"meter_proven":                 {Holds: 1},
		"isolation_released":           {Holds: 1},
		"trunk_end_treated":            {Holds: 4},
		"end_closure_clear_of_outlets": {Holds: 4},
		"end_closure_faces_air":        {Holds: 3},
		"end_closure_fastened":         {Holds: 3},
		"end_closure_board_set":        {Holds: 1},
		"end_closure_blank":            {NotApplicable: 3},
		"section_reached":              {Holds: 1},
		"crossover_taken_down":         {Holds: 1},
		"crossover_ties_tensioned":     {Holds: 1},
		"crossover_liner_depth":        {Holds: 1},
		"crossover_collar_screws":      {Holds: 1},
		"crossover_size_kept":          {Holds: 1},
		"crossover_off_ground":         {Holds: 1},
		"crossover_supported":          {Holds: 1},
		"flex_sag":                     {NotJudged: 1},
		"readings_in_order":            {Holds: 2},
		"same_method_before_after":     {Holds: 1},
		"every_register_read":          {NotApplicable: 1},
		"pan_target":                   {NotApplicable: 1},
		"instrument_in_calibration":    {Holds: 2},
		"leakage_not_higher_after":     {Holds: 1},
		"photos_complete":              {Holds: 16}, // joint, 4 ends, 3 boots, crossover, 3 openings, survey, 2 gauges, lock
		"photo_of_one_home":            {Holds: 30}, // survey 4, joint 2, gauges 2, openings 6, lock 1, crossover 5, ends 4, boots 6
		"replaced_twice":               {NotApplicable: 1},
		"device_not_heard":             {NotApplicable: 1},
		"described_twice":              {Holds: 26}, // 21 components, crossover, 4 openings
		"parent_not_voided":            {NotApplicable: 1},
		"device_clock":                 {NotApplicable: 1},
		"kit_confirmed":                {NotApplicable: 1},
		"times_stand":                  {NotApplicable: 1},
		"facts_stand_after_return":     {NotApplicable: 1},
		"combustion_checked":           {NotApplicable: 1},
		"carbon_monoxide_told":         {NotApplicable: 1},
		"stop_cleared":                 {NotApplicable: 1},
		"stop_respected":               {NotApplicable: 1},
		"visit_times_recorded":         {Holds: 1},
		"crew_certified":               {Holds: 1},
		"crew_member_supervised":       {Holds: 1},
		"home_not_treated_before":      {Holds: 1},
		"fund_source_named":            {NotApplicable: 1},

		"owner_permission":       {Holds: 1},
		"resident_consent":       {Holds: 1},
		"appointment_kept":       {NotApplicable: 1},
		"someone_home":           {Holds: 1},
		"prior_damage_shown":     {NotApplicable: 1},
		"hazard_read":            {Holds: 1},
		"return_draws_crawl_air": {NotApplicable: 1},
		"closet_pressure":        {NotApplicable: 1},
		"temperature_rise":       {NotApplicable: 1},
		"external_static":        {NotApplicable: 1},
		"registers_and_filter":   {NotApplicable: 1},

		"furnace_kind_recorded":          {Holds: 1},
		"furnace_section_recorded":       {Holds: 1},
		"furnace_position_recorded":      {Holds: 1},
		"ducted_sections_recorded":       {Holds: 1},
		"joist_direction_recorded":       {Holds: 1},
		"wrap_kind_recorded":             {Holds: 1},
		"combustion_appliances_recorded": {Holds: 1},
	}
	_, v := clean(t).judge()
	if len(v.Rules) != len(want) {
		t.Errorf("%d rules spoke, want %d", len(v.Rules), len(want))
	}
	for _, r := range v.Rules {
		if r.Outcomes != want[r.Rule] {
			t.Errorf("%s: %+v, want %+v", r.Rule, r.Outcomes, want[r.Rule])
		}
	}
}

// A pan pass beside the fan test, or alone: each pass and register once.
func TestSubjectsOfAPanJob(t *testing.T) {
	for _, row := range []struct {
		name    string
		methods []domain.Method
		want    map[string]Outcomes
	}{
		{"beside a fan test", []domain.Method{domain.FanTotal, domain.Pan}, map[string]Outcomes{
			"every_register_read": {Holds: 2}, "pan_target": {Holds: 14}, "same_method_before_after": {Holds: 2}, "readings_in_order": {Holds: 2}}},
		{"alone", []domain.Method{domain.Pan}, map[string]Outcomes{
			"every_register_read": {Holds: 2}, "pan_target": {Holds: 14}, "same_method_before_after": {Holds: 1}, "readings_in_order": {Holds: 2}}},
	} {
		j := clean(t)
		j.asksPan()
		j.ruleSet.MethodsAsked = row.methods
		_, v := j.judge()
		for rule, want := range row.want {
			if got := v.Of(rule).Outcomes; got != want {
				t.Errorf("%s, %s: %+v, want %+v", row.name, rule, got, want)
			}
		}
	}
}
