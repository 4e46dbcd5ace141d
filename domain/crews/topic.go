package crews

import (
	"cmp"
	"slices"
	"strings"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// MethodVersion names how topics and lessons are computed. A change that moves a
// figure changes it.
const MethodVersion = "crews-1"

const (
	level = 0.95
	// listQ is the share of listed topics that is expected to be chance.
	listQ = 0.05
)

// A Found is how often inspectors judged a rule in a crew's homes, and found it broken.
type Found struct {
	LeadID         domain.UUID // who led, or did the repair; zero: nobody is named
	ContractorID   domain.UUID
	Rule           string
	Judged, Broken int // homes
}

// A Topic is a rule in which a crew may need a lesson. Not seen and changed since stand
// in neither count.
type Topic struct {
	Rule string `json:"rule"`
	// Homes in which an inspector judged it.
	JudgedCount int `json:"judged_count"`
	// Of these, found broken.
	BrokenCount int     `json:"broken_count"`
	BrokenRatio float64 `json:"broken_ratio"`
	// Exact limits.
	BrokenRatioLow  float64 `json:"broken_ratio_low"`
	BrokenRatioHigh float64 `json:"broken_ratio_high"`
	// The same of all other crews together.
	OthersRatio *float64 `json:"others_broken_ratio,omitempty"`
	// The chance of so many or more if this crew were like the others.
	Chance float64 `json:"chance_ratio"`
	// More often than the others, after false-discovery control over all crews and rules of the answer: teach it next.
	Listed bool `json:"listed"`
}

// A Crew is known by who leads it. Its topics are those in which a rule was found
// broken, listed ones first, then by the count of broken homes.
type Crew struct {
	ContractorID domain.UUID `json:"contractor_id"`
	Contractor   string      `json:"contractor_name"`
	// Absent: the work names no lead.
	LeadID domain.UUID `json:"crew_lead_id,omitzero"`
	Name   string      `json:"name,omitempty"`
	// Rules that inspectors judged in its homes, home by home.
	JudgedCount int     `json:"judged_count"`
	Topics      []Topic `json:"topics"`
	// How the crew reads leakage, beside the inspectors.
	InspectorOverCrew CrewReading `json:"inspector_over_crew"`
}

// Topics sets each crew beside the others, crews by contractor and name.
//
// Refused: counts below 0 or more broken than judged (/broken_count), a crew and rule
// twice (/rules). Source: package comment [mem].
func Topics(found []Found, contractors, leads map[domain.UUID]string) ([]Crew, error) {
	sorted := slices.Clone(found)
	slices.SortFunc(sorted, func(a, b Found) int {
		return cmp.Or(a.ContractorID.Compare(b.ContractorID), a.LeadID.Compare(b.LeadID), strings.Compare(a.Rule, b.Rule))
	})
	type sum struct{ judged, broken int }
	totals := map[string]sum{}
	for i, f := range sorted {
		switch {
		case f.Broken < 0 || f.Judged < f.Broken:
			return nil, stat.Refuse(stat.OutOfRange, "/broken_count", "", "rule %s: %d broken of %d judged", f.Rule, f.Broken, f.Judged)
		case i > 0 && sorted[i-1].LeadID == f.LeadID && sorted[i-1].ContractorID == f.ContractorID && sorted[i-1].Rule == f.Rule:
			return nil, stat.Refuse(stat.NotSorted, "/rules", "add the counts up", "rule %s of one crew comes twice", f.Rule)
		}
		s := totals[f.Rule]
		totals[f.Rule] = sum{s.judged + f.Judged, s.broken + f.Broken}
	}
	chances := make([]float64, len(sorted))
	for i, f := range sorted {
		all := totals[f.Rule]
		chances[i] = stat.HypergeometricTail(f.Broken, f.Judged, all.broken, all.judged)
	}
	listed, err := stat.BenjaminiHochberg(chances, listQ)
	if err != nil {
		return nil, err
	}
	crews := []Crew{}
	for i, f := range sorted {
		if i == 0 || sorted[i-1].LeadID != f.LeadID || sorted[i-1].ContractorID != f.ContractorID {
			crews = append(crews, Crew{ContractorID: f.ContractorID, Contractor: contractors[f.ContractorID], LeadID: f.LeadID, Name: leads[f.LeadID], Topics: []Topic{}})
		}
		c := &crews[len(crews)-1]
		c.JudgedCount += f.Judged
		if f.Broken == 0 {
			continue
		}
		t := Topic{Rule: f.Rule, JudgedCount: f.Judged, BrokenCount: f.Broken, BrokenRatio: float64(f.Broken) / float64(f.Judged), Chance: chances[i], Listed: listed[i]}
		limits, err := stat.ClopperPearson(f.Broken, f.Judged, level)
		if err != nil {
			return nil, err
		}
		t.BrokenRatioLow, t.BrokenRatioHigh = limits.Low, limits.High
		if others := totals[f.Rule].judged - f.Judged; others > 0 {
			ratio := float64(totals[f.Rule].broken-f.Broken) / float64(others)
			t.OthersRatio = &ratio
		}
		c.Topics = append(c.Topics, t)
	}
	for i := range crews {
		slices.SortStableFunc(crews[i].Topics, func(a, b Topic) int {
			return cmp.Or(-order(a.Listed, b.Listed), cmp.Compare(b.BrokenCount, a.BrokenCount))
		})
	}
	slices.SortStableFunc(crews, func(a, b Crew) int {
		return cmp.Or(strings.Compare(a.Contractor, b.Contractor), strings.Compare(a.Name, b.Name))
	})
	return crews, nil
}

// order is 1 where only a holds, -1 where only b does.
func order(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// A ProgramTopic is a rule of the whole program, by nobody's name.
type ProgramTopic struct {
	Rule string `json:"rule"`
	// Homes in which it was judged.
	JudgedCount int `json:"judged_count"`
	// Of these, broken or waived.
	BrokenCount     int     `json:"broken_count"`
	BrokenRatio     float64 `json:"broken_ratio"`
	BrokenRatioLow  float64 `json:"broken_ratio_low"`
	BrokenRatioHigh float64 `json:"broken_ratio_high"`
}

// ProgramTopics are the rules broken most, the most often first: counts by rule, of
// homes, with Wilson's limits. Refused: more broken than judged, or none judged (/rule).
// Source: at stat.Wilson [pub].
func ProgramTopics(found []Found) ([]ProgramTopic, error) {
	sums := map[string]ProgramTopic{}
	for _, f := range found {
		t := sums[f.Rule]
		t.Rule, t.JudgedCount, t.BrokenCount = f.Rule, t.JudgedCount+f.Judged, t.BrokenCount+f.Broken
		sums[f.Rule] = t
	}
	topics := []ProgramTopic{}
	for _, t := range sums {
		if t.BrokenCount == 0 {
			continue
		}
		limits, err := stat.Wilson(t.BrokenCount, t.JudgedCount, level)
		if err != nil {
			return nil, stat.Under("/rules/"+t.Rule, err)
		}
		t.BrokenRatio, t.BrokenRatioLow, t.BrokenRatioHigh = float64(t.BrokenCount)/float64(t.JudgedCount), limits.Low, limits.High
		topics = append(topics, t)
	}
	slices.SortFunc(topics, func(a, b ProgramTopic) int {
		return cmp.Or(cmp.Compare(b.BrokenCount, a.BrokenCount), strings.Compare(a.Rule, b.Rule))
	})
	return topics, nil
}
