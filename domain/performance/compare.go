package performance

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// MethodVersion names the formulas, their parameters and their order of
// operations. It changes whenever equal jobs would give other bytes.
//
// performance-3: figures are of one quantity; readings that decide nothing are left
// out; homes that go together are allowed for; "differ" needs a test; limits by t;
// one ladder of flags; the pooled ratio's interval by jackknife; tau, weight and
// reliability from one belief, which is published.
const MethodVersion = "performance-3"

// A Contractor is one line of a comparison. It has no rank.
type Contractor struct {
	ContractorID domain.UUID `json:"contractor_id"`
	Name         string      `json:"name"`
	Summary
	Adjusted Adjusted `json:"adjusted"`
}

// A Comparison is the answer by contractor, in the alphabetical order of
// their names. The caller fills as_of_at and position.
type Comparison struct {
	Period
	AsOfAt        time.Time    `json:"as_of_at,omitzero"`
	Position      int64        `json:"position,omitzero"`
	MethodVersion string       `json:"method_version"`
	InputDigest   string       `json:"input_digest"` // equal for equal jobs; see digest
	Program       Summary      `json:"program"`
	Model         Model        `json:"model"`
	Contractors   []Contractor `json:"contractors"`
}

// Comparison summarizes the jobs by contractor and for the program. Every
// contractor of names has a line, also without a job. Refused: a Tally by
// anything else (/by). Source: at each figure, Summary, Model and Standing [calc].
func (t *Tally) Comparison(names map[domain.UUID]string) (Comparison, error) {
	if t.by != ByContractor {
		return Comparison{}, stat.Refuse(stat.OutOfRange, "/by", "", "a comparison needs a tally by %s, not %s", ByContractor, t.by)
	}
	for id := range names {
		t.group(key{id: id}) // a contractor without a job has an empty group
	}
	keys := t.keys()
	c := Comparison{Period: t.period, MethodVersion: MethodVersion, InputDigest: t.digest.String(), Contractors: make([]Contractor, 0, len(keys))}
	within := t.within(keys)
	var err error
	if c.Program, err = t.whole(keys).summary(within, t.tables); err != nil {
		return Comparison{}, err
	}
	model, adjusted, err := t.adjust()
	if err != nil {
		return Comparison{}, err
	}
	c.Model = model
	for _, k := range keys {
		s, err := t.groups[k].summary(within, t.tables)
		if err != nil {
			return Comparison{}, err
		}
		a, known := adjusted[k.id]
		if !known {
			a.Reason = cmp.Or(model.Reason, NoJobs)
			a.Statement = unadjusted(a.Reason)
		}
		c.Contractors = append(c.Contractors, Contractor{ContractorID: k.id, Name: names[k.id], Summary: s, Adjusted: a})
	}
	slices.SortStableFunc(c.Contractors, func(a, b Contractor) int { return byName(a.Name, b.Name) })
	return c, nil
}

// byName is the order of people's lists: letters before their case. Equal
// names keep the order that they have, by id.
func byName(a, b string) int {
	return cmp.Or(cmp.Compare(strings.ToLower(a), strings.ToLower(b)), cmp.Compare(a, b))
}

// within is the spread of log reductions within groups.
func (t *Tally) within(keys []key) spread {
	var w spread
	squares := 0.0
	for _, k := range keys {
		if s := &t.groups[k].kept; s.n > 0 {
			squares += centered(s.n, s.dd, s.d, s.d)
			w.df += s.n - 1
		}
	}
	if w.df > 0 {
		w.variance = squares / float64(w.df)
	}
	return w
}
