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
	ReopenedDuct  Hazard = "reopened_duct" // a hand goes into a duct again: heavier than the sharp metal there
	// Those that follow belong to no finding and stand on the job-start card.
	Droppings  Hazard = "droppings"
	Mold       Hazard = "mold"
	LoosePiers Hazard = "loose_piers"
	HeatTape   Hazard = "heat_tape"
	Breathing  Hazard = "breathing"
)

// cautions is the job-start card: what a crew reads before it goes under a
// home, and of which a finding repeats the line about its own work. Each line
// is short and defers to local code and licensed people. None says that a
// danger is gone.
var cautions = []Caution{
	{CombustionGas, "Gas or carbon monoxide: everybody out, call the fire department or gas utility from outside, nobody returns until they allow it. Local code governs."},
	{Electricity, "Electricity can kill. Only licensed people work inside a furnace; test for voltage before you touch. Local code governs."},
	{ReopenedDuct, "Cut and test the furnace's power again before a hand goes back into a duct; the blower can start by itself."},
	{CrawlSpace, "Crawl spaces can hold bad air, live wires, water and animals: look first, never go in alone, follow local rules."},
	{LoosePiers, "Do not go under a home whose piers or blocks are loose, leaning or cracked; a licensed installer looks at them first."},
	{Breathing, "Wear a fitted respirator in dust, insulation and sealant fumes; bring in fresh air; come out when you feel dizzy. Follow local rules."},
	{OldMaterials, "Old wrap, tape and insulation can hold asbestos or lead: do not disturb it. Local law says who may handle it."},
	{Droppings, "Droppings and nests carry disease: do not sweep or blow them dry, wear respirator and gloves, follow the health department."},
	{Mold, "Mold: do not stir it up, wear a respirator, tell the office when there is more than a small patch. Local rules govern."},
	{HeatTape, "Heat tape on pipes is live: do not cut, cover or move it. A licensed electrician deals with damaged tape."},
	{HeatInSpace, "Heat builds up under a home: drink, rest, stop when somebody feels unwell. Follow local rules for work in heat."},
	{SharpMetal, "Cut metal is sharp: wear cut-resistant gloves and sleeves and follow local rules."},
}

// Caution is one line of the job-start card.
type Caution struct {
	Hazard Hazard `json:"hazard"`
	Words  string `json:"words"`
}

// StartCard gives the lines that a crew reads before the work begins.
func StartCard() []Caution { return append([]Caution(nil), cautions...) }

// Caution is the short warning that goes with each finding about a hazard;
// empty where there is none.
func (h Hazard) Caution() string {
	for _, c := range cautions {
		if c.Hazard == h {
			return c.Words
		}
	}
	return ""
}
