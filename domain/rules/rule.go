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
	&photosComplete, &replacedTwice, &deviceNotHeard, &describedTwice, &parentNotVoided, &deviceClock, &kitConfirmed, &timesStand, &factsStandAfterReturn,
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
