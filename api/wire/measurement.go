package wire

import (
	"strconv"

	"ductledger/domain"

	"github.com/go-playground/validator/v10"
)

// wanted says what each of our own checks asks for.
var wanted = map[string]string{
	"fan_reading":         "a fan test's reading needs pressure_pa and either flow_cfm or fan_pressure_pa with its range",
	"subtraction_reading": "a subtraction's reading needs whole_cfm, masked_cfm and house_to_duct_pa",
	"masked_below_whole":  "masked_cfm cannot be more than whole_cfm",
	"pan_reading":         "a pan reading needs component_id and either pan_pa or not_read_reason",
	"house_pressure":      "this method needs house_pressure_pa, the pressure at which the home was held in Pa",
}

// measurementReadings asks each reading for what its method needs.
func measurementReadings(level validator.StructLevel) {
	m := level.Current().Interface().(domain.Measurement)
	for i := range m.Readings {
		r := &m.Readings[i]
		tag := ""
		switch {
		case m.IsFan() && (r.PressurePa == nil || r.FlowCFM == nil && (r.FanPressurePa == nil || r.Range == "")):
			tag = "fan_reading"
		case m.Method == domain.Subtraction && (r.WholeCFM == nil || r.MaskedCFM == nil || r.HouseToDuctPa == nil):
			tag = "subtraction_reading"
		case m.Method == domain.Subtraction && *r.MaskedCFM > *r.WholeCFM:
			tag = "masked_below_whole"
		case m.Method == domain.Pan && (r.ComponentID == nil || r.PanPa == nil && r.NotReadReason == ""):
			tag = "pan_reading"
		}
		if tag != "" {
			level.ReportError(r, pointerIndex("readings", i), "Readings", tag, "")
		}
	}
	if (m.Method == domain.Subtraction || m.Method == domain.Pan) && m.HousePressurePa == nil {
		level.ReportError(m.HousePressurePa, "house_pressure_pa", "HousePressurePa", "house_pressure", "")
	}
}

func pointerIndex(list string, i int) string { return list + "[" + strconv.Itoa(i) + "]" }
