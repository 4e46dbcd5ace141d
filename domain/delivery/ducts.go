package delivery

import (
	"ductledger/domain/stat"
)

// DefaultAirHeat is 60·ρ·cp of air at sea level and room temperature, in
// Btu/(h·cfm·°F): 60 min/h × 0.075 lb/ft³ × 0.24 Btu/(lb·°F) = 1.08, the
// figure of ASHRAE handbooks [mem].
const DefaultAirHeat = 1.08

// StandardDensity is the density of air in kg/m³ at 20 °C and sea level for
// which DefaultAirHeat stands: ASTM E779 [mem].
const StandardDensity = 1.2041

// Limits that only keep slips of the keyboard out, far beyond any home on
// both sides. They also bound every answer.
const (
	lowestF     = -100.0 // °F
	highestF    = 200.0  // °F
	leastCFM    = 1.0    // cfm through the fan
	mostCFM     = 1e5    // cfm
	leastBtuH   = 1.0    // Btu/h
	mostBtuH    = 1e7    // Btu/h
	mostFt2     = 1e5    // ft²
	leastRValue = 0.01   // h·ft²·°F/Btu; bare metal with the air films on it has some 0.5
	mostRValue  = 1000.0 // h·ft²·°F/Btu
	leastHeat   = 0.1    // Btu/(h·cfm·°F)
	mostHeat    = 10.0   // Btu/(h·cfm·°F)
)

// Ducts is one state of a home's ducts, before or after the work, with the
// conditions under which the furnace runs. Symbols are those of the formula
// at Effective.
type Ducts struct {
	// Qe: air through the furnace in cfm.
	FanFlowCFM float64 `json:"fan_flow_cfm" validate:"gte=1,lte=100000"`
	// E: heat put into that air in Btu/h.
	HeatingOutputBtuH float64 `json:"heating_output_btu_h" validate:"gte=1,lte=10000000"`
	// Tin: air of the rooms in °F.
	IndoorF float64 `json:"indoor_f" validate:"gte=-100,lte=200"`
	// Tamb,s: air around the supply ducts in °F.
	SupplyAmbientF float64 `json:"supply_ambient_f" validate:"gte=-100,lte=200"`
	// Tamb,r: air around the return in °F.
	ReturnAmbientF float64 `json:"return_ambient_f" validate:"gte=-100,lte=200"`
	// Qs: lost from the supply while the furnace runs in cfm.
	SupplyLeakCFM float64 `json:"supply_leak_cfm" validate:"gte=0,lte=100000"`
	// Qr: drawn into the return while it runs in cfm.
	ReturnLeakCFM float64 `json:"return_leak_cfm" validate:"gte=0,lte=100000"`
	// A_s: surface of the supply ducts in ft².
	SupplyAreaFt2 float64 `json:"supply_area_ft2" validate:"gte=0,lte=100000"`
	// A_r: surface of the return ducts in ft².
	ReturnAreaFt2 float64 `json:"return_area_ft2" validate:"gte=0,lte=100000"`
	// R_s in h·ft²·°F/Btu; read only where A_s > 0.
	SupplyRValue float64 `json:"supply_r_value" validate:"omitempty,gte=0,lte=1000"`
	// R_r in h·ft²·°F/Btu; read only where A_r > 0.
	ReturnRValue float64 `json:"return_r_value" validate:"omitempty,gte=0,lte=1000"`
	// 60·ρ·cp in Btu/(h·cfm·°F).
	AirHeat *float64 `json:"air_heat_btu_h_cfm_f,omitempty" validate:"gte=0.1,lte=10" default:"1.08"`
}

// airHeat is 60·ρ·cp in Btu/(h·cfm·°F).
func (d Ducts) airHeat() float64 {
	if d.AirHeat == nil {
		return DefaultAirHeat
	}
	return *d.AirHeat
}

// AirHeatAt is 60·ρ·cp in Btu/(h·cfm·°F) for air of the given density in
// kg/m³, DefaultAirHeat scaled: at 5,000 ft the same flow carries a sixth less
// heat. Refused: a density that is not above zero (/density_kg_m3).
// Source: heat goes with mass [calc].
func AirHeatAt(densityKgM3 float64) (float64, error) {
	if err := stat.Positive("/density_kg_m3", densityKgM3, "kg/m³"); err != nil {
		return 0, err
	}
	return float64(DefaultAirHeat*densityKgM3) / StandardDensity, nil
}

// check refuses ducts for which the heating form has no meaning, naming the
// first argument at fault in the order of the fields.
func (d Ducts) check() error {
	refusals := []error{
		between("/fan_flow_cfm", d.FanFlowCFM, leastCFM, mostCFM, "cfm"),
		between("/heating_output_btu_h", d.HeatingOutputBtuH, leastBtuH, mostBtuH, "Btu/h"),
		stat.Within("/indoor_f", d.IndoorF, lowestF, highestF, "°F"),
		d.ambient("/supply_ambient_f", d.SupplyAmbientF),
		d.ambient("/return_ambient_f", d.ReturnAmbientF),
		d.leak("/supply_leak_cfm", d.SupplyLeakCFM),
		d.leak("/return_leak_cfm", d.ReturnLeakCFM),
		wall("supply", d.SupplyAreaFt2, d.SupplyRValue),
		wall("return", d.ReturnAreaFt2, d.ReturnRValue),
		between("/air_heat_btu_h_cfm_f", d.airHeat(), leastHeat, mostHeat, "Btu/(h·cfm·°F)"),
	}
	for _, err := range refusals {
		if err != nil {
			return err
		}
	}
	return nil
}

func (d Ducts) ambient(argument string, f float64) error {
	if err := stat.Within(argument, f, lowestF, highestF, "°F"); err != nil {
		return err
	}
	if f > d.IndoorF {
		return stat.Refuse(stat.OutOfRange, argument, "use the conditions of the heating season",
			"%v °F around the duct is above the %v °F of the rooms; this is the heating form", f, d.IndoorF)
	}
	return nil
}

func (d Ducts) leak(argument string, cfm float64) error {
	if err := stat.NotBelowZero(argument, cfm, "cfm"); err != nil {
		return err
	}
	if cfm > d.FanFlowCFM {
		return stat.Refuse(stat.OutOfRange, argument, "measure the fan's flow, or use the leakage at the pressure at which the ducts run",
			"a leak of %v cfm is more than the fan's flow of %v cfm", cfm, d.FanFlowCFM)
	}
	return nil
}

// wall refuses the area or the R-value of one side.
func wall(side string, areaFt2, rValue float64) error {
	if err := stat.Within("/"+side+"_area_ft2", areaFt2, 0, mostFt2, "ft²"); err != nil {
		return err
	}
	if areaFt2 == 0 {
		return nil
	}
	return between("/"+side+"_r_value", rValue, leastRValue, mostRValue, "h·ft²·°F/Btu")
}

// between refuses what is not above zero with its own word, and then what is
// outside least to most.
func between(argument string, x, least, most float64, unit string) error {
	if err := stat.Positive(argument, x, unit); err != nil {
		return err
	}
	return stat.Within(argument, x, least, most, unit)
}

// positiveUpTo refuses what is not above zero, and what is above most.
func positiveUpTo(argument string, x, most float64, unit string) error {
	return between(argument, x, 0, most, unit)
}
