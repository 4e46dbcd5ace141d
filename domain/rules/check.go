package rules

import (
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"ductledger/domain"
)

// noCureFix is the only thing said about a fault that nothing puts right. It
// must not invite anybody to write the record so that it passes.
const (
	noCureFix = "What happened cannot be put right any more, and no entry changes it. Tell your lead about it; only the agency's staff can lift the finding."
	talkFix   = "What happened cannot be put right any more, and no entry changes it. Only the agency's staff can lift it, after a talk with the crew that is recorded."
)

// noCure is what is said where nothing puts a fault of the rule right.
func (r *Rule) noCure() string {
	if r.SafetyTalk {
		return talkFix
	}
	return noCureFix
}

// check is what a rule's function works with: the job, the limits, and the
// place where outcomes are counted.
type check struct {
	job      *Assembled
	set      *Set
	result   *Result
	at       int // row of the rule in the table
	rule     *Rule
	limits   []float64
	severity Severity
	missing  Missing
	wideGap  float64 // gap over which the program wants mesh or metal, in in
	evacuate float64 // carbon monoxide over which everybody goes out, in ppm
	tallies  []RuleOutcomes
	found    []Finding
	needs    [factsCount]Missing // the heaviest policy among the rules that missed a fact of the home
}

// limit is a parameter of the rule as the program has it.
func (c *check) limit(name string) float64 {
	for i := range c.rule.Parameters {
		if c.rule.Parameters[i].Name == name {
			return c.limits[i]
		}
	}
	return 0
}

func (c *check) tally() *RuleOutcomes { return &c.tallies[c.at] }

func (c *check) holds() { c.tally().Outcomes.Holds++ }

// notApplicable counts one subject to which the rule does not apply, with the
// fact that makes it so.
func (c *check) notApplicable(fact string) {
	t := c.tally()
	t.Outcomes.NotApplicable++
	if !slices.Contains(t.Because, fact) {
		t.Because = append(t.Because, fact)
	}
}

func (c *check) notJudged() { c.tally().Outcomes.NotJudged++ }

// part collects what a rule finds out about one subject and ends in exactly
// one outcome: broken if anything is at fault, else not recorded if a fact is
// missing, else it holds.
type part struct {
	c        *check
	subjects []domain.Subject
	one      [1]domain.Subject
	severity Severity
	missing  Missing
	cure     Cure
	hazard   Hazard
	fix      string // in place of the rule's own
	photo    string // the fix where a photo is all that is missing
	office   bool   // asked of the office, not of the crew: as heavy before the job is sent in
	parts    int    // how many parts the subject stands for; 0 is one
	faults   []string
	lacks    []string
}

// on begins the judgment of one subject.
func (c *check) on(s domain.Subject) part {
	return part{c: c, one: [1]domain.Subject{s}, severity: c.severity, missing: c.missing, cure: c.rule.Cure, hazard: c.rule.Hazard}
}

// onPart begins the judgment of a part, or of the parts of one statement.
func (c *check) onPart(o Of[domain.Component]) part {
	p := c.on(o.Subject())
	p.parts = o.Record.Parts()
	return p
}

// onAll begins the judgment of several records at once.
func (c *check) onAll(subjects ...domain.Subject) part {
	p := c.on(subjects[0])
	p.subjects = subjects
	return p
}

// fault notes what is wrong.
func (p *part) fault(words ...string) { p.faults = append(p.faults, strings.Join(words, "")) }

// lack notes a fact that is not recorded.
func (p *part) lack(words ...string) { p.lacks = append(p.lacks, strings.Join(words, "")) }

// yes asks for a fact that must be true.
func (p *part) yes(fact *bool, fault, lack, where string) {
	switch {
	case fact == nil:
		p.lack(lack, where)
	case !*fact:
		p.fault(fault, where)
	}
}

// soften makes the fault no heavier than severity, and the missing fact with it.
func (p *part) soften(severity Severity) {
	if severity == Note && p.severity != Note {
		p.severity, p.missing = Note, Silent
	}
	if severity == Check && p.severity == MustFix {
		p.severity = Check
		if p.missing == Blocks {
			p.missing = Asks
		}
	}
}

// done counts the outcome and, where there is something to say, says it.
func (p *part) done() {
	t := &p.c.tally().Outcomes
	outcome, parts := Broken, max(1, p.parts)
	switch {
	case len(p.faults) > 0:
	case len(p.lacks) == 0:
		t.Holds += parts
		return
	case p.missing == Silent:
		t.NotJudged += parts
		return
	default:
		outcome = NotRecorded
		p.severity = MustFix
		if p.missing == Asks {
			p.severity = Check
		}
		if p.c.job.early() && !p.office {
			p.severity = Note // the list of what is still to be entered
		}
	}
	f := p.finding(outcome)
	switch {
	case p.c.waived(&f):
		t.Waived += parts
		return
	case outcome == Broken:
		t.Broken += parts
	default:
		t.NotRecorded += parts
	}
	p.c.found = append(p.c.found, f)
}

func (p *part) finding(outcome Outcome) Finding {
	r := p.c.rule
	f := Finding{
		Rule: r.Key, Outcome: outcome, Severity: p.severity, Cure: p.cure,
		Subjects: p.subjects, Detail: p.detail(), Why: r.Why, Caution: p.hazard.Caution(),
	}
	if f.Subjects == nil {
		f.Subjects = []domain.Subject{p.one[0]}
	}
	if len(r.Parameters) > 0 {
		f.Parameters = make(map[string]float64, len(r.Parameters))
		for i, parameter := range r.Parameters {
			f.Parameters[parameter.Name] = p.c.limits[i]
		}
	}
	switch {
	case p.cure == NoCure:
		f.Fix = r.noCure()
	case p.photo != "" && outcome == NotRecorded && len(p.lacks) == 1:
		f.Fix = p.photo
	case p.fix != "":
		f.Fix = p.fix
	case outcome == NotRecorded:
		f.Fix = fitted("Look again and record ", p.lacks, ", ")
	default:
		f.Fix = r.Fix
	}
	return f
}

// namesTogether is how many subjects of one finding are named.
const namesTogether = 2

// detail names the part as the crew does, then what is wrong with it.
func (p *part) detail() string {
	subjects := p.subjects
	if subjects == nil {
		subjects = p.one[:]
	}
	names := make([]string, len(subjects))
	for i, s := range subjects {
		names[i] = p.c.job.nameOf(s)
	}
	if more := len(names) - namesTogether; more > 0 {
		names = append(names[:namesTogether], count(more)+" more")
	}
	return sentence(strings.Join(names, " and "), p.faults, p.lacks)
}

// waived tells whether a person lifted the finding.
func (c *check) waived(f *Finding) bool {
	talk := c.rule.SafetyTalk && f.Severity == MustFix
	return slices.ContainsFunc(c.job.Waivers, func(w Of[domain.Waiver]) bool {
		return f.Is(w.Record.Finding) && (!talk || w.Record.SafetyTalkOn != "")
	})
}

// Finding is one thing about a job that somebody must know of. It is known by
// its rule and its subjects: so a waiver, an answer or a reply names it.
type Finding struct {
	Rule string `json:"rule"`
	// broken or not_recorded.
	Outcome Outcome `json:"outcome"`
	// must_fix, check or note.
	Severity Severity `json:"severity"`
	// on_site, return_visit, office or none.
	Cure     Cure             `json:"cure"`
	Subjects []domain.Subject `json:"subjects"`
	// What was found with values and limits.
	Detail string `json:"detail"`
	// Why it matters.
	Why string `json:"why"`
	// What to do about it; absent where nothing on record can cure it.
	Fix string `json:"fix"`
	// Where the work can hurt.
	Caution string `json:"caution,omitzero"`
	// The limits that were applied.
	Parameters map[string]float64 `json:"parameters,omitzero"`
}

// Is tells whether ref names this finding, in whatever order its subjects.
func (f *Finding) Is(ref domain.FindingRef) bool {
	if f.Rule != ref.Rule || len(f.Subjects) != len(ref.Subjects) {
		return false
	}
	for _, s := range f.Subjects {
		if !slices.Contains(ref.Subjects, s) {
			return false
		}
	}
	return true
}

// Ref is how a record names the finding.
func (f *Finding) Ref() domain.FindingRef {
	return domain.FindingRef{Rule: f.Rule, Subjects: slices.Clone(f.Subjects)}
}

// Counts are the findings of one job by what they mean. The first three count
// what is broken; what is not recorded counts in the last only.
type Counts struct {
	MustFix     int `json:"must_fix_count"`
	Check       int `json:"check_count"`
	Note        int `json:"note_count"`
	NotRecorded int `json:"not_recorded_count"`
}

// Outcomes counts what one rule said about the subjects of a job.
type Outcomes struct {
	Holds         int `json:"holds,omitzero"`
	Broken        int `json:"broken,omitzero"`
	NotRecorded   int `json:"not_recorded,omitzero"`
	NotApplicable int `json:"not_applicable,omitzero"`
	NotJudged     int `json:"not_judged,omitzero"`
	Waived        int `json:"waived,omitzero"`
}

// RuleOutcomes is the tally of one rule.
type RuleOutcomes struct {
	Rule     string   `json:"rule"`
	Outcomes Outcomes `json:"outcomes"`
	Because  []string `json:"because,omitzero"` // the facts that make it not apply
}

// Verdict is what the rules make of a job.
type Verdict struct {
	Findings []Finding      `json:"findings"`
	Rules    []RuleOutcomes `json:"rules"`
	Counts   Counts         `json:"counts"`
}

// Open gives the findings that stop an acceptance: what must be fixed, what
// blocks because it is not recorded, and each check that no review answers.
func (v *Verdict) Open(reviews []Of[domain.Review]) []Finding {
	var open []Finding
	for _, f := range v.Findings {
		answered := slices.ContainsFunc(reviews, func(r Of[domain.Review]) bool {
			return r.Record.Decision == domain.Answer && r.Record.Finding != nil && f.Is(*r.Record.Finding)
		})
		if f.Severity == MustFix || f.Severity == Check && !answered {
			open = append(open, f)
		}
	}
	return open
}

// Of gives the tally of one rule; zero for a rule that is off or unknown.
func (v *Verdict) Of(rule string) RuleOutcomes {
	for _, r := range v.Rules {
		if r.Rule == rule {
			return r
		}
	}
	return RuleOutcomes{}
}

// longestSentence is how many characters a phone shows of a sentence without
// scrolling. What does not fit is counted.
const longestSentence = 160

// sentence says of a part what is at fault and what is missing.
func sentence(name string, faults, lacks []string) string {
	head := name + ": "
	if len(faults) == 0 {
		return fitted(head+"not recorded: ", lacks, ", ")
	}
	if len(lacks) == 0 {
		return fitted(head, faults, "; ")
	}
	clauses := append(append(make([]string, 0, len(faults)+1), faults...), "not recorded: "+strings.Join(lacks, ", "))
	return fitted(head, clauses, "; ")
}

// fitted joins as many clauses as fit after the head, and counts the rest.
func fitted(head string, clauses []string, between string) string {
	for n := len(clauses); ; n-- {
		text := head + strings.Join(clauses[:n], between)
		if left := len(clauses) - n; left > 0 {
			text += " and " + strconv.Itoa(left) + " more"
		}
		text += "."
		if n <= 1 || utf8.RuneCountInString(text) <= longestSentence {
			return text
		}
	}
}
