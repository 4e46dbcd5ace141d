package delivery

import (
	"math"
)

// A Balance is the way of the air round the loop, station by station: what a
// thermometer would read, and the heat that arrives.
type Balance struct {
	ReturnGrilleF   float64 `json:"return_grille_f"`              // air as it leaves the rooms, °F
	ReturnEndF      float64 `json:"return_end_f"`                 // after the return's wall, before its leaks mix in, °F
	MixedF          float64 `json:"mixed_f"`                      // as it enters the furnace, °F
	PlenumF         float64 `json:"plenum_f"`                     // as it leaves the furnace, °F
	RegisterF       float64 `json:"register_f"`                   // as it enters the rooms, °F
	RegisterFlowCFM float64 `json:"register_flow_cfm"`            // flow that enters the rooms, cfm
	DeliveredBtuH   float64 `json:"delivered_btu_h"`              // heat that arrives, Btu/h
	Ratio           float64 `json:"delivery_effectiveness_ratio"` // delivered over put in
}

// Follow computes the delivery effectiveness a second way, without the closed
// form of Effective: it follows the air.
//
//  1. Room air at Tin, Qe−Qr of it, passes the return: its difference to the
//     surroundings shrinks by exp(−A_r/(h·Qe·R_r)).
//  2. Qr of surrounding air mixes in, by flow.
//  3. The furnace adds E to Qe.
//  4. The supply cools it: the difference to the surroundings shrinks by
//     exp(−A_s/(h·Qe·R_s)).
//  5. Qe−Qs of it enters the rooms with h·(Qe−Qs)·(Treg−Tin) of heat, and
//     that over E is the effectiveness.
//
// Units are those of Effective. A test demands that both ways agree to 1e-12.
// Refused: as by Effective. Source: conservation of energy [calc]; that the wall sees
// the whole of Qe is an assumption of the form in ASHRAE 152 [mem].
func Follow(d Ducts) (Balance, error) {
	if err := d.check(); err != nil {
		return Balance{}, err
	}
	h := d.airHeat()
	var b Balance
	b.ReturnGrilleF = d.IndoorF
	b.ReturnEndF = cooled(b.ReturnGrilleF, d.ReturnAmbientF, d.ReturnAreaFt2, d.ReturnRValue, h, d.FanFlowCFM)

	fromRooms := d.FanFlowCFM - d.ReturnLeakCFM
	b.MixedF = (float64(fromRooms*b.ReturnEndF) + float64(d.ReturnLeakCFM*d.ReturnAmbientF)) / d.FanFlowCFM
	b.PlenumF = b.MixedF + d.HeatingOutputBtuH/float64(h*d.FanFlowCFM)
	b.RegisterF = cooled(b.PlenumF, d.SupplyAmbientF, d.SupplyAreaFt2, d.SupplyRValue, h, d.FanFlowCFM)

	b.RegisterFlowCFM = d.FanFlowCFM - d.SupplyLeakCFM
	b.DeliveredBtuH = float64(h*b.RegisterFlowCFM) * (b.RegisterF - d.IndoorF)
	b.Ratio = b.DeliveredBtuH / d.HeatingOutputBtuH
	return b, nil
}

// cooled is the temperature at the end of a duct of the given wall, in °F.
func cooled(startF, ambientF, areaFt2, rValue, airHeat, flowCFM float64) float64 {
	if areaFt2 == 0 {
		return startF
	}
	left := math.Exp(-areaFt2 / rValue / (airHeat * flowCFM))
	return ambientF + float64((startF-ambientF)*left)
}
