package delivery

import (
	"math"
)

// Method and version of the effectiveness, as they stand in answers. A
// version is the day from which the computation is the one below.
const (
	EffectivenessMethod  = "delivery_effectiveness_heating"
	EffectivenessVersion = "2026-11-01"
)

// An Effectiveness says what share of the furnace's heat arrives, and the
// quantities it was made from.
type Effectiveness struct {
	Method                string  `json:"method"`
	MethodVersion         string  `json:"method_version"`
	Ratio                 float64 `json:"delivery_effectiveness_ratio"` // DE; 1 is no loss, below 0 the air arrives colder than the room
	SupplyFlowRatio       float64 `json:"supply_flow_ratio"`            // a_s
	ReturnFlowRatio       float64 `json:"return_flow_ratio"`            // a_r
	SupplyConductionRatio float64 `json:"supply_conduction_ratio"`      // B_s
	ReturnConductionRatio float64 `json:"return_conduction_ratio"`      // B_r
	EquipmentRiseF        float64 `json:"equipment_rise_f"`             // Δte, °F
	AirHeat               float64 `json:"air_heat_btu_h_cfm_f"`         // 60·ρ·cp as used, Btu/(h·cfm·°F)
}

// Effective is the delivery effectiveness of d in the heating season.
//
//	a_s = (Qe−Qs)/Qe            share of the fan's flow that reaches the registers
//	a_r = (Qe−Qr)/Qe            share of the fan's flow that comes from the rooms
//	B   = exp(−A/(h·Qe·R))      share of a temperature difference left after the duct's wall
//	Δte = E/(h·Qe)              rise in the furnace, °F
//	Δts = Tin − Tamb,s          rooms over the supply's surroundings, °F
//	Δtr = Tin − Tamb,r          rooms over the return's surroundings, °F
//	DE  = a_s·B_s − a_s·B_s·(1−B_r·a_r)·Δtr/Δte − a_s·(1−B_s)·Δts/Δte
//
// with Q in cfm, E in Btu/h, A in ft², R in h·ft²·°F/Btu, T in °F and
// h = 60·ρ·cp = 1.08 Btu/(h·cfm·°F). The three terms are subtracted from left
// to right. Refused: a flow, a heat output or h not above zero, surroundings
// warmer than the rooms, a leak below zero or above Qe, a temperature outside
// −100 to 200 °F, an area below zero, an R-value not above zero where there is
// an area, and what no home has, each with the argument named. Source: ASHRAE
// Standard 152, heating form [mem].
func Effective(d Ducts) (Effectiveness, error) {
	if err := d.check(); err != nil {
		return Effectiveness{}, err
	}
	e := Effectiveness{
		Method:                EffectivenessMethod,
		MethodVersion:         EffectivenessVersion,
		SupplyFlowRatio:       (d.FanFlowCFM - d.SupplyLeakCFM) / d.FanFlowCFM,
		ReturnFlowRatio:       (d.FanFlowCFM - d.ReturnLeakCFM) / d.FanFlowCFM,
		SupplyConductionRatio: d.conduction(d.SupplyAreaFt2, d.SupplyRValue),
		ReturnConductionRatio: d.conduction(d.ReturnAreaFt2, d.ReturnRValue),
		EquipmentRiseF:        d.HeatingOutputBtuH / (d.airHeat() * d.FanFlowCFM),
		AirHeat:               d.airHeat(),
	}
	arriving := float64(e.SupplyFlowRatio * e.SupplyConductionRatio)
	returned := float64(e.ReturnConductionRatio * e.ReturnFlowRatio)
	supplyF, returnF := d.IndoorF-d.SupplyAmbientF, d.IndoorF-d.ReturnAmbientF

	e.Ratio = arriving -
		float64(float64(arriving*(1-returned))*returnF)/e.EquipmentRiseF -
		float64(float64(e.SupplyFlowRatio*(1-e.SupplyConductionRatio))*supplyF)/e.EquipmentRiseF
	return e, nil
}

// conduction is B of one side: 1 without a wall to lose heat through.
func (d Ducts) conduction(areaFt2, rValue float64) float64 {
	if areaFt2 == 0 {
		return 1
	}
	return math.Exp(-areaFt2 / (float64(d.airHeat()*d.FanFlowCFM) * rValue))
}

// uncertainty is the standard uncertainty of DE from the two leak flows, each
// known to the given fraction of itself and independent of the other:
//
//	∂DE/∂Qs = −DE/(Qe−Qs)
//	∂DE/∂Qr = −a_s·B_s·B_r·(Δtr/Δte)/Qe
//	u(DE)²  = (∂DE/∂Qs·u·Qs)² + (∂DE/∂Qr·u·Qr)²
//
// from the formula at Effective by differentiation [calc]; DE is linear in
// each flow, so the first order is exact.
func (d Ducts) uncertainty(e Effectiveness, leakRatio float64) float64 {
	// Written without the division, since the supply may lose all of Qe.
	perSupply := (e.SupplyConductionRatio -
		float64(e.SupplyConductionRatio*(1-float64(e.ReturnConductionRatio*e.ReturnFlowRatio)))*(d.IndoorF-d.ReturnAmbientF)/e.EquipmentRiseF -
		float64((1-e.SupplyConductionRatio)*(d.IndoorF-d.SupplyAmbientF))/e.EquipmentRiseF) / d.FanFlowCFM
	perReturn := float64(float64(e.SupplyFlowRatio*e.SupplyConductionRatio)*e.ReturnConductionRatio) *
		(d.IndoorF - d.ReturnAmbientF) / e.EquipmentRiseF / d.FanFlowCFM
	return quadrature(float64(perSupply*leakRatio)*d.SupplyLeakCFM, float64(perReturn*leakRatio)*d.ReturnLeakCFM)
}
