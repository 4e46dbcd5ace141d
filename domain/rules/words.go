package rules

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
