// Package delivery says how much of a furnace's heat reaches the rooms
// through ducts that leak and lose heat, and what sealing them may save.
//
// It is for program staff who must explain a saving, and for a crew's
// device that shows what a repair did. The one idea: delivery effectiveness
// is heat arriving at the registers over heat put in by the furnace, and the
// furnace must burn the inverse of it. So a saving is 1 − before/after, and
// never after/before − 1.
//
//	0.80 → 0.90:  1 − 0.80/0.90 = 11.1 % less energy   (right)
//	              0.90/0.80 − 1 = 12.5 %               (wrong: more heat per unit, not less energy)
//
// Effectiveness is computed by a closed form (Effective) and again by
// following the air round the loop (Follow); tests hold the two equal to
// 1e-12. Savings come by two named methods: from effectiveness with the
// home's heating energy or with degree days, and as a regional deemed figure
// that a program adopts. Each is an Estimate with method, version, a range
// and a sentence that says it is an estimate. None is a promise.
//
// # Units
//
// Air flow in ft³/min (cfm), heat in Btu/h, energy in kWh, therm or Btu of a
// year, temperature in °F, area in ft², thermal resistance as the R-value of
// US labels (h·ft²·°F/Btu). Ratios are fractions.
//
// Leakage here is the flow lost while the furnace runs. A fan test at 25 Pa
// only stands in for it, as usual duct pressures are near that; the
// uncertainty of this step is in Uncertainty.ModelRatio.
//
// # What it refuses
//
// Heating only: surroundings warmer than the rooms are refused, as they would
// give an effectiveness above 1. A leak greater than the fan's flow, two
// states compared under different weather, energy in no unit or in two, and a
// zone without a deemed figure are refused with the argument named. Whether
// sealing also changes the draught through the home is not counted.
//
// # Sources
//
// ASHRAE Standard 152, heating form of delivery effectiveness [mem: recalled,
// not opened]. Degree days to the balance point: ASHRAE Handbook,
// Fundamentals, energy estimating [mem]. Units: NIST SP 811, appendix B [mem].
package delivery
