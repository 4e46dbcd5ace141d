package world

import (
	"ductledger/domain"
)

// layout is a home with where its ducts run.
type layout struct {
	home     *domain.Home
	lengthFt float64
	sections []domain.Section
	boots    map[domain.Section][]float64 // positions in ft from the front
	widthIn  float64
	heightIn float64
	crossFt  float64 // where crossovers sit
}

// drawHome invents a home: single, double or triple, crosswise or lengthwise,
// heated by electricity or gas.
func drawHome(d dice) layout {
	l := layout{lengthFt: float64(2 * d.between(24, 33)), widthIn: float64(2 * d.between(6, 8)), heightIn: float64(d.between(4, 6)),
		boots: map[domain.Section][]float64{}}
	count, widthFt := 1, 14.0
	switch share := d.Float64(); {
	case share > 0.95:
		count, widthFt = 3, 12
	case share > 0.62:
		count, widthFt = 2, 13
	}
	l.sections = []domain.Section{"A", "B", "C"}[:count]
	for _, section := range l.sections {
		boots := d.between(6, 8)
		for i := range boots {
			step := (l.lengthFt - 8) / float64(boots-1)
			l.boots[section] = append(l.boots[section], float64(int(4+step*float64(i))))
		}
	}
	l.crossFt = float64(int(l.lengthFt*0.45)) + 0.5
	furnace := float64(int(l.lengthFt * (0.25 + 0.2*d.Float64())))
	l.home = &domain.Home{
		SectionCount: count, DuctedSections: l.sections, JoistDirection: pick(d, domain.Crosswise, domain.Crosswise, domain.Lengthwise),
		FurnaceKind: domain.ElectricFurnace, FurnaceAirflow: "down", FurnaceSection: "A", FurnacePositionFt: &furnace,
		FurnaceAccess: domain.FromBelow, ReturnKind: "closet_grille", WrapKind: pick(d, domain.FabricWrap, domain.FabricWrap, domain.FabricWrap, domain.RigidBoard),
		WrapState: pick(d, "sound", "torn", "torn"), CombustionAppliances: []string{}, FloorAreaFt2: new(float64(count) * l.lengthFt * widthFt),
		ElevationFt: new(float64(100 * d.between(2, 30))), GroundCover: new(d.chance(0.6)), CoilPresent: new(d.chance(0.2)),
		Permission: &domain.Permission{Kind: pick(d, domain.ByOwner, domain.ByOwner, domain.ByLandlord), GivenOn: "2025-06-02"},
		YearBuilt:  new(d.between(1974, 2004)), Park: "DEMO Park " + pick(d, "North", "South", "East", "West"),
	}
	switch {
	case d.chance(0.3):
		l.home.FurnaceKind, l.home.CombustionAppliances = domain.GasFurnace, []string{"furnace", "water_heater"}
	case d.chance(0.1):
		l.home.FurnaceKind = domain.HeatPump
	}
	return l
}
