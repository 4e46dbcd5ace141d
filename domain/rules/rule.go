package rules

import "slices"

// Rule is one thing that a program asks of a job: data, and one pure
// function that looks at the assembled job and says what it found.
type Rule struct {
	Key      string
	Title    string
	Why      string // the reason, for somebody who is tired
	Judged   string // how it is judged, in one or two sentences
	None     string // the fact that makes it not apply, where nothing of its kind is recorded
	Fix      string // what cures a fault; not used where Cure is none
	Severity Severity
	Missing  Missing
	Cure     Cure
	// Softens: a program that pays a fixed sum does not pay by readings, so
	// that a fault is asked about and blocks nothing.
	Softens    bool
	Hazard     Hazard
	SafetyTalk bool // a breach is lifted only after a safety talk with the crew
	Parameters []Parameter
	Source     string
	Example    Example

	check func(*check)
}

// Parameter is a limit of a rule that a program may set.
type Parameter struct {
	Name    string  `json:"name"`
	Unit    string  `json:"unit"`
	Default float64 `json:"default"`
	Low     float64 `json:"low"`  // least value that a program may set
	High    float64 `json:"high"` // greatest value that a program may set
	Source  string  `json:"source"`
}

// Example shows in words one case that holds and one that does not.
type Example struct {
	Holds  string `json:"holds"`
	Broken string `json:"broken"`
}

// Sources that many rules share.
const (
	practice = "common practice"
	statute  = "42 U.S.C. 6865(c)(2)"
)

// all is the table of rules in the order of the work. One more rule is one
// more row, with its cases in the tests.
var all = []*Rule{
	&sectionDescribed,
	&surveyBeforeCutting, &wrapCutRecorded, &openingHasTarget, &crewOpeningClosed, &holeInDuctSealed, &foundDamageNotCharged,
	&wrapClosureMaterial, &insulationPutBack,
	&ductPatchOverlap, &ductPatchCoated, &masticThickness, &cutEdgeGuarded, &accessBelowFurnace,
	&wideGapReinforced, &gapCheckedBeforeMastic, &tapeAloneNoSeal, &loosePartFastened,
	&trunkSealed, &bootSealed, &trunkBracketScrews, &takeoffSealed, &trunkSeamInReach,
	&furnaceJointTreated, &furnaceJointHeld, &furnaceAccessLicensed, &energyIsolated, &meterProven, &isolationReleased,
	&trunkEndTreated, &endClosureClearOfOutlets, &endClosureFacesAir, &endClosureFastened, &endClosureBoardSet, &endClosureBlank,
	&sectionReached, &crossoverTakenDown, &crossoverTiesTensioned, &crossoverLinerDepth,
	&crossoverCollarScrews, &crossoverSizeKept, &crossoverOffGround, &crossoverSupported, &flexSag,
	&readingsInOrder, &sameMethodBeforeAfter, &everyRegisterRead, &panTarget,
	&instrumentInCalibration, &leakageNotHigherAfter,
	&photosComplete, &photoOfOneHome, &replacedTwice, &deviceNotHeard, &describedTwice, &parentNotVoided, &deviceClock, &kitConfirmed, &timesStand, &factsStandAfterReturn,
	&airAtEveryOutlet, &outcomeShown, &materialsAsListed,
	&combustionChecked, &carbonMonoxideTold, &stopRespected, &stopCleared, &crewCertified, &crewMemberSupervised, &homeNotTreatedBefore, &fundSourceNamed,
	&ownerPermission, &residentConsent, &appointmentKept, &someoneHome, &priorDamageShown, &hazardRead,
	&returnDrawsCrawlAir, &closetPressure, &temperatureRise, &externalStatic, &registersAndFilter,
	// The facts of the home come last: only then is known which of them a
	// rule needed.
	&furnaceKindRecorded, &furnaceSectionRecorded, &ductedSectionsRecorded,
	&joistDirectionRecorded, &wrapKindRecorded, &combustionAppliancesRecorded,
}

// Keys gives the keys of the rules in the order of the work.
func Keys() []string {
	out := make([]string, len(all))
	for i, r := range all {
		out[i] = r.Key
	}
	return out
}

// placeOf is the row of a rule in the table; -1 for a word that is no key.
func placeOf(key string) int {
	return slices.IndexFunc(all, func(r *Rule) bool { return r.Key == key })
}

// Severity is what a fault means for the job.
type Severity string

const (
	MustFix Severity = "must_fix" // the job is not accepted until it is cured or waived
	Check   Severity = "check"    // a reviewer must answer it
	Note    Severity = "note"     // shown to the crew, counted for training, blocks nothing
)

// Missing is what happens when a fact that a rule needs is not recorded.
type Missing string

const (
	Blocks Missing = "blocks" // a finding that counts like must_fix
	Asks   Missing = "asks"   // a finding that counts like check
	Silent Missing = "silent" // no finding; counted as not judged, never as held
)

// Cure is where a fault can be put right.
type Cure string

const (
	OnSite      Cure = "on_site"
	ReturnVisit Cure = "return_visit"
	Office      Cure = "office"
	// NoCure: what is past cannot be put right. The finding never tells how
	// to make the record pass; only a waiver closes it.
	NoCure Cure = "none"
)

// Outcome is what a rule says about one subject.
type Outcome string

const (
	Holds         Outcome = "holds"
	Broken        Outcome = "broken"
	NotRecorded   Outcome = "not_recorded"
	NotApplicable Outcome = "not_applicable"
	NotJudged     Outcome = "not_judged"
	Waived        Outcome = "waived"
)

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
