package performance

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
)

// minLeadHomes is the number of used homes from which a crew lead's figures
// are shown, for coaching inside the agency.
const minLeadHomes = 10

// A Group is one line of an answer that is not by contractor.
type Group struct {
	// Absent for homes whose class is not known.
	HomeClass  string       `json:"home_class,omitempty"`
	CrewLeadID *domain.UUID `json:"crew_lead_id,omitempty"`
	Name       string       `json:"name,omitempty"`
	JobsCount  int          `json:"jobs_count"`
	UsedCount  int          `json:"used_count"`
	// Why only the counts stand here.
	Reason  string   `json:"reason,omitempty"`
	Figures *Summary `json:"figures,omitempty"`
	// Of crew leads.
	Adjusted *Adjusted `json:"adjusted,omitempty"`
}

// A Grouping is the answer by home class, in the order of size, or by crew
// lead, alphabetically; a crew lead's is for nobody outside the agency.
type Grouping struct {
	Period
	By            By        `json:"by"`
	AsOfAt        time.Time `json:"as_of_at,omitzero"`
	Position      int64     `json:"position,omitzero"`
	MethodVersion string    `json:"method_version"`
	InputDigest   string    `json:"input_digest"` // equal for equal jobs; see digest
	Program       Summary   `json:"program"`
	Model         *Model    `json:"model,omitempty"` // with an effect for each crew lead
	Groups        []Group   `json:"groups"`
}

// Grouping answers from a Tally by class of home or by crew lead; names
// are those of the leads. Refused: nothing of its own; figures without enough
// jobs are absent, with a reason. Source: at each figure, Summary and Model [calc].
func (t *Tally) Grouping(names map[domain.UUID]string) (Grouping, error) {
	keys := t.keys()
	within := t.within(keys)
	g := Grouping{Period: t.period, By: t.by, MethodVersion: MethodVersion, InputDigest: t.digest.String(), Groups: make([]Group, 0, len(keys))}
	var err error
	if g.Program, err = t.whole(keys).summary(within, t.tables); err != nil {
		return Grouping{}, err
	}
	var placed map[domain.UUID]Adjusted
	if t.by == ByCrewLead {
		var m Model
		if m, placed, err = t.adjust(); err != nil {
			return Grouping{}, err
		}
		g.Model = &m
	}
	for _, k := range keys {
		s, err := t.groups[k].summary(within, t.tables)
		if err != nil {
			return Grouping{}, err
		}
		line := Group{HomeClass: k.class, JobsCount: s.JobsCount, UsedCount: s.UsedCount, Figures: &s}
		if t.by == ByCrewLead && !k.id.IsZero() {
			line.CrewLeadID, line.Name = &k.id, names[k.id]
			if a, ok := placed[k.id]; ok {
				line.Adjusted = &a
			}
		}
		if t.by == ByCrewLead && s.UsedCount < minLeadHomes {
			line.Figures, line.Adjusted, line.Reason = nil, nil, TooFewJobs
		}
		g.Groups = append(g.Groups, line)
	}
	slices.SortStableFunc(g.Groups, func(a, b Group) int {
		return cmp.Or(cmp.Compare(classRank(a.HomeClass), classRank(b.HomeClass)),
			strings.Compare(a.HomeClass, b.HomeClass), byName(a.Name, b.Name))
	})
	return g, nil
}
