package rules

// Page is what a reader wants to know of one rule, with the limits of one
// program. It is made of the same data by which jobs are judged.
type Page struct {
	Key           string          `json:"key"`
	Title         string          `json:"title"`
	Why           string          `json:"why"`
	Judged        string          `json:"judged"` // how it is judged
	Severity      Severity        `json:"severity"`
	SeverityWords string          `json:"severity_words"`
	Missing       Missing         `json:"missing"`
	MissingWords  string          `json:"missing_words"`
	Cure          Cure            `json:"cure"`
	CureWords     string          `json:"cure_words"`
	Fix           string          `json:"fix"`
	NotApplicable string          `json:"not_applicable,omitzero"` // the fact that makes it not apply
	Softens       bool            `json:"softens"`                 // where a fixed sum is paid
	Caution       string          `json:"caution,omitzero"`
	Parameters    []PageParameter `json:"parameters"`
	Source        string          `json:"source"`
	Example       Example         `json:"example"`
	Off           bool            `json:"off"`
}

// PageParameter is a limit with the value that the program has set.
type PageParameter struct {
	Parameter
	Value float64 `json:"value"`
}

// Pages gives the pages of all rules in the order of the work.
func Pages(set Set) []Page {
	pages := make([]Page, len(all))
	for i := range all {
		pages[i] = page(set, i)
	}
	return pages
}

func page(set Set, i int) Page {
	r, s := all[i], set.settings[i]
	p := Page{
		Key: r.Key, Title: r.Title, Why: r.Why, Judged: r.Judged,
		Severity: s.severity, SeverityWords: s.severity.words(),
		Missing: r.Missing, MissingWords: r.Missing.words(),
		Cure: r.Cure, CureWords: r.Cure.words(), Fix: r.Fix,
		NotApplicable: r.None, Softens: r.Softens, Caution: r.Hazard.Caution(),
		Parameters: []PageParameter{}, Source: r.Source, Example: r.Example, Off: s.off,
	}
	if r.Cure == NoCure {
		p.Fix = r.noCure()
	}
	for n, parameter := range r.Parameters {
		p.Parameters = append(p.Parameters, PageParameter{parameter, s.limits[n]})
	}
	return p
}

func (s Severity) words() string {
	switch s {
	case MustFix:
		return "The job is not accepted until it is put right or waived."
	case Check:
		return "A reviewer must answer it."
	}
	return "Shown to the crew and counted for training; it blocks nothing."
}

func (m Missing) words() string {
	switch m {
	case Blocks:
		return "Where the fact is missing the job is not accepted until it is recorded or waived."
	case Asks:
		return "Where the fact is missing a reviewer must answer it."
	}
	return "Where the fact is missing the rule is not judged, and not counted as held."
}

func (c Cure) words() string {
	switch c {
	case OnSite:
		return "It can be put right while the crew is there."
	case ReturnVisit:
		return "It can be put right on another visit."
	case Office:
		return "It can be put right at a desk."
	}
	return "Nothing puts it right; only the agency's staff can lift it."
}
