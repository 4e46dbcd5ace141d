package rules

// Hazard is what can hurt in the work that a rule is about.
type Hazard string

const (
	NoHazard      Hazard = ""
	Electricity   Hazard = "electricity"
	CombustionGas Hazard = "combustion_gas"
	SharpMetal    Hazard = "sharp_metal"
	CrawlSpace    Hazard = "crawl_space"
	HeatInSpace   Hazard = "heat"
	OldMaterials  Hazard = "old_materials"
)

// Caution is the short warning that goes with each finding about a hazard. It
// defers to local code and licensed people and never says that a danger is
// gone.
func (h Hazard) Caution() string {
	switch h {
	case NoHazard:
		return ""
	case Electricity:
		return "Electricity can kill. Work inside a furnace and locking out follow local code and belong to licensed people; test for voltage before you touch."
	case CombustionGas:
		return "Combustion gas can kill without a smell. If carbon monoxide or gas is found, get everybody out and call the fire department or the gas utility; testing follows local code and belongs to qualified people."
	case SharpMetal:
		return "Cut metal is sharp: wear gloves and sleeves that it cannot cut, and follow local rules for work with it."
	case CrawlSpace:
		return "Crawl spaces can hold bad air, live wires, water and animals. Look before you enter, never go in alone, and follow the local rules for such spaces."
	case HeatInSpace:
		return "Heat under a home builds up fast. Drink, rest, and stop when somebody feels unwell; follow local rules for work in heat."
	case OldMaterials:
		return "Old wrap, tape and insulation can hold asbestos or lead. Do not disturb what you suspect; local law says who may handle it."
	}
	return "Stop when in doubt; local code and licensed people decide."
}
