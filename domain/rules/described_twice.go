package rules

import (
	"slices"

	"ductledger/domain"
)

var describedTwice = Rule{
	Key: "described_twice", Title: "Each part is described once",
	Why:      "Two phones that describe one register make two of it: both must be sealed, shown and counted.",
	Judged:   "No two components, crossovers or openings name the same part: the same sort, section and number or place.",
	None:     "nothing is described",
	Fix:      "Void one of them, after moving to the other what refers to it.",
	Severity: Check, Missing: Silent, Cure: Office,
	Source: "how devices and the service stay in step",
	Example: Example{
		Holds:  "Boot A5 described by one phone.",
		Broken: "Boot A5 described by two phones under two ids.",
	},
	check: func(c *check) {
		twice(c, c.job.Components, samePart)
		twice(c, c.job.Crossovers, sameCrossover)
		twice(c, c.job.Openings, sameOpening)
	},
}

// twice reports each group of records that describe one thing, once.
func twice[T any](c *check, list []Of[T], same func(x, y *T) bool) {
	for i, x := range list {
		alike := func(y Of[T]) bool { return same(x.Record, y.Record) }
		if slices.ContainsFunc(list[:i], alike) {
			continue
		}
		if !slices.ContainsFunc(list[i+1:], alike) {
			c.holds()
			continue
		}
		subjects := []domain.Subject{x.Subject()}
		for _, y := range list[i+1:] {
			if alike(y) {
				subjects = append(subjects, y.Subject())
			}
		}
		p := c.onAll(subjects...)
		p.fault("the same thing seems to be described ", count(len(subjects)), " times")
		p.done()
	}
}

func equal[T comparable](x, y *T) bool { return x == y || x != nil && y != nil && *x == *y }

func samePart(x, y *domain.Component) bool {
	if x.Component != y.Component || x.Section != y.Section || x.End != y.End {
		return false
	}
	if len(x.Numbers) > 0 || len(y.Numbers) > 0 {
		return slices.ContainsFunc(partsOf(x), func(part domain.Component) bool { return part.Number != nil && y.Has(*part.Number) })
	}
	if !equal(x.Number, y.Number) {
		return false
	}
	switch x.Component {
	case domain.Boot, domain.Riser, domain.BranchTakeoff: // a trunk has many of them
		return x.Number != nil || x.PositionFt != nil && equal(x.PositionFt, y.PositionFt)
	}
	return true
}

func sameCrossover(x, y *domain.Crossover) bool {
	straight := x.FromSection == y.FromSection && x.ToSection == y.ToSection
	turned := x.FromSection == y.ToSection && x.ToSection == y.FromSection
	if !straight && !turned {
		return false
	}
	for _, section := range sections(x) { // two crossovers may join the same sections at two places
		a, b := endOf(x, section), endOf(y, section)
		if a != nil && b != nil && a.PositionFt != nil && b.PositionFt != nil && *a.PositionFt != *b.PositionFt {
			return false
		}
	}
	return true
}

func sameOpening(x, y *domain.Opening) bool {
	return x.In == y.In && x.Section == y.Section && x.PositionFt != nil && equal(x.PositionFt, y.PositionFt) &&
		(x.MadeAt == nil) == (y.MadeAt == nil) && (x.MadeAt == nil || x.MadeAt.Equal(*y.MadeAt))
}
