package rules

import (
	"strconv"
	"strings"
	"time"

	"ductledger/domain"
)

// namesInARow is how many parts of one repair are named before the rest is counted.
const namesInARow = 4

// nameOf names a record as the crew does: boot A5, trunk end A rear,
// crossover A→B.
func (a *Assembled) nameOf(s domain.Subject) string {
	switch r := a.known(s).(type) {
	case *domain.Component:
		return componentName(r)
	case *domain.Crossover:
		return "crossover " + string(r.FromSection) + "→" + string(r.ToSection)
	case *domain.Opening:
		return a.openingName(r)
	case *domain.Repair:
		return a.repairName(r)
	case *domain.EnergyIsolation:
		if r.IsolatedAt != nil {
			return "energy isolation of " + a.clock(*r.IsolatedAt)
		}
		return "energy isolation"
	case *domain.Measurement:
		return string(r.Stage) + " reading of " + a.clock(r.TakenAt) + " (" + methodName(r.Method) + ")"
	case *domain.Photo:
		return "photo of " + a.clock(r.TakenAt)
	case *domain.Appointment:
		return "appointment of " + string(r.PlannedOn)
	case *domain.Visit:
		return "visit of " + string(r.VisitedOn)
	}
	if s.Kind == domain.JobKind {
		return "this job"
	}
	return "this " + spaced(string(s.Kind))
}

func componentName(c *domain.Component) string {
	if len(c.Numbers) > 0 {
		return partRow(partsOf(c))
	}
	b := spaced(string(c.Component))
	if c.Section != "" {
		b += " " + string(c.Section)
	}
	switch {
	case c.Number != nil:
		b += strconv.Itoa(*c.Number)
	case c.End != "":
		b += " " + string(c.End)
	case c.PositionFt != nil && c.Component != domain.FurnaceJoint:
		b += " at " + feet(*c.PositionFt)
	}
	return b
}

// partsOf are the parts that a component stands for, each with one number.
func partsOf(c *domain.Component) []domain.Component {
	if len(c.Numbers) == 0 {
		return []domain.Component{*c}
	}
	parts := make([]domain.Component, len(c.Numbers))
	for i, number := range c.Numbers {
		parts[i] = *c
		parts[i].Number, parts[i].Numbers = &number, nil
	}
	return parts
}

// partRow names parts in a row, boots A2, A5, B3, and counts the rest of a
// long one. The sort of the first is said in the plural and not repeated.
func partRow(parts []domain.Component) string {
	var b strings.Builder
	first := parts[0].Component
	plural := len(parts) > 1 && first != "" && parts[0].Number != nil
	for i := range parts {
		if i == namesInARow {
			b.WriteString(" and " + strconv.Itoa(len(parts)-namesInARow) + " more")
			break
		}
		if i > 0 {
			b.WriteString(", ")
		}
		name := componentName(&parts[i])
		if parts[i].Component == "" {
			name = "a part that is not here"
		}
		if rest, same := strings.CutPrefix(name, spaced(string(first))+" "); plural && same {
			name = rest
			if i == 0 {
				name = spaced(string(first)) + "s " + rest
			}
		}
		b.WriteString(name)
	}
	return b.String()
}

func (a *Assembled) openingName(o *domain.Opening) string {
	b := "opening in the wrap"
	switch {
	case o.In == domain.InDuct && o.Section != "":
		b = "opening in trunk " + string(o.Section)
	case o.In == domain.InDuct:
		b = "opening in a duct"
	case o.Section != "":
		b += " of section " + string(o.Section)
	}
	if o.PositionFt != nil {
		b += " at " + feet(*o.PositionFt)
	}
	if o.Target != nil && o.Target.Kind != domain.OpeningKind && a.known(*o.Target) != nil {
		b += ", for " + a.nameOf(*o.Target)
	}
	return b
}

func (a *Assembled) repairName(r *domain.Repair) string {
	what := "repair of "
	if r.EndClosure != nil {
		what = spaced(string(r.EndClosure.Form)) + " at "
	}
	if r.CrossoverID != nil {
		return what + a.nameOf(domain.Subject{Kind: domain.CrossoverKind, ID: *r.CrossoverID})
	}
	names := a.partNames(r.ComponentIDs)
	if names == "" {
		return what + spaced(string(r.Repair))
	}
	return what + names
}

// partNames names the parts of a repair.
func (a *Assembled) partNames(ids []domain.UUID) string {
	var parts []domain.Component
	for _, id := range ids {
		part, ok := a.known(domain.Subject{Kind: domain.ComponentKind, ID: id}).(*domain.Component)
		if !ok {
			part = &domain.Component{}
		}
		parts = append(parts, partsOf(part)...)
	}
	if len(parts) == 0 {
		return ""
	}
	return partRow(parts)
}

// methodName says in words how leakage was read.
func methodName(m domain.Method) string {
	switch m {
	case domain.FanTotal:
		return "total leakage by fan"
	case domain.FanOutside:
		return "leakage to outside by fan"
	case domain.Subtraction:
		return "leakage to outside by subtraction"
	}
	return spaced(string(m))
}

// spaced turns a word of the wire into words.
func spaced(s string) string { return strings.ReplaceAll(s, "_", " ") }

// clock shows a moment by the program's clock, with its day where the job took
// more than one visit; as the device wrote it where no zone is known.
func (a *Assembled) clock(t time.Time) string {
	if a.Outside.Zone != nil {
		t = t.In(a.Outside.Zone)
	}
	if len(a.Visits) > 1 {
		return t.Format("2 Jan 15:04")
	}
	return t.Format("15:04")
}

// number shows a value as it was typed in.
func number(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

func fixed(x float64, places int) string { return strconv.FormatFloat(x, 'f', places, 64) }

func feet(x float64) string   { return fixed(x, 1) + " ft" }
func inches(x float64) string { return number(x) + " in" }
func count(n int) string      { return strconv.Itoa(n) }

// some counts things whose plural takes an s: 1 fastener, 3 fasteners.
func some(x float64, thing string) string {
	if x == 1 {
		return "1 " + thing
	}
	return number(x) + " " + thing + "s"
}
