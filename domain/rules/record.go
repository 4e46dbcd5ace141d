package rules

import (
	"iter"
	"math"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
)

var replacedTwice = Rule{
	Key: "replaced_twice", Title: "One record is corrected once",
	Why:      "Two corrections of one reading cannot both be right, and nothing is computed from either.",
	Judged:   "No two measurements or photos in force replace the same one.",
	None:     "nothing was corrected",
	Fix:      "Void the wrong one, or correct it with a new record that replaces it.",
	Severity: MustFix, Missing: Silent, Cure: Office,
	Source: "how the service keeps corrections",
	Example: Example{
		Holds:  "The reading of 15:05 replaces the one of 14:50.",
		Broken: "The readings of 15:05 and 15:10 both replace the one of 14:50.",
	},
	check: func(c *check) {
		for _, d := range c.job.Disputed {
			subjects := make([]domain.Subject, len(d.By))
			for i, e := range d.By {
				subjects[i] = domain.Subject{Kind: d.Kind, ID: e.ID}
			}
			p := c.onAll(subjects...)
			p.fault("both replace the ", c.job.nameOf(domain.Subject{Kind: d.Kind, ID: d.Replaced}))
			p.done()
		}
		for _, m := range c.job.Measurements {
			if m.Record.Replaces != nil {
				c.holds()
			}
		}
		for _, m := range c.job.Photos {
			if m.Record.Replaces != nil {
				c.holds()
			}
		}
	},
}

var parentNotVoided = Rule{
	Key: "parent_not_voided", Title: "No record rests on a voided one",
	Why:      "A repair of a part that was voided covers nothing.",
	Judged:   "No record of the job refers to a record that was voided; replacing a voided one is fine.",
	None:     "nothing was voided",
	Fix:      "Name the record that stands for the voided one, or void this one too.",
	Severity: Check, Missing: Silent, Cure: Office,
	Source: "how the service keeps voided records",
	Example: Example{
		Holds:  "Boot A5 was described twice, one voided; the repair names the other.",
		Broken: "The repair still names the voided one.",
	},
	check: func(c *check) {
		if len(c.job.Voided) == 0 {
			return
		}
		for e := range c.job.entries() {
			p := c.on(domain.Subject{Kind: e.Record.Kind(), ID: e.ID})
			for _, ref := range e.Record.Refs() {
				if !strings.HasSuffix(ref.Pointer, "/replaces") && c.job.voided(domain.Subject{Kind: ref.Kind, ID: ref.ID}) {
					p.fault("it refers to ", c.job.nameOf(domain.Subject{Kind: ref.Kind, ID: ref.ID}), ", which was voided")
				}
			}
			p.done()
		}
	},
}

// voided tells whether a record that something names was voided.
func (a *Assembled) voided(s domain.Subject) bool {
	return slices.ContainsFunc(a.Voided, func(e *domain.Entry) bool { return e.ID == s.ID && e.Record.Kind() == s.Kind })
}

// entries yields the crew's records that count, in a fixed order.
func (a *Assembled) entries() iter.Seq[*domain.Entry] {
	return func(yield func(*domain.Entry) bool) {
		_ = each(a.Visits, yield) && each(a.Components, yield) && each(a.Crossovers, yield) &&
			each(a.Openings, yield) && each(a.Repairs, yield) && each(a.Isolations, yield) &&
			each(a.Measurements, yield) && each(a.Photos, yield)
	}
}

func each[T any](list []Of[T], yield func(*domain.Entry) bool) bool {
	for _, o := range list {
		if !yield(o.Entry) {
			return false
		}
	}
	return true
}

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

var deviceNotHeard = Rule{
	Key: "device_not_heard", Title: "No device still holds work of this job",
	Why:      "A job that is accepted before all of it has come in is judged by half of it.",
	Judged:   "Once the job is sent in, no device has said that it still holds records or photos of it.",
	None:     "no device holds work of this job",
	Fix:      "Bring the device to a signal, or ask who has it.",
	Severity: Check, Missing: Silent, Cure: Office,
	Source: "how devices and the service stay in step",
	Example: Example{
		Holds:  "Every device said that it has delivered.",
		Broken: "A phone said this morning that it holds 3 photos.",
	},
	check: func(c *check) {
		for _, d := range c.job.Outside.Pending {
			switch c.job.Job.Record.State {
			case domain.Assigned, domain.InWork:
				c.notApplicable("the job is still in work")
				continue
			}
			p := c.on(domain.Subject{Kind: domain.DeviceKind, ID: d.DeviceID})
			p.fault("it still holds ", some(float64(d.RecordsCount), "record"), " and ", some(float64(d.PhotosCount), "photo"), " of this job")
			p.done()
		}
	},
}

var deviceClock = Rule{
	Key: "device_clock", Title: "The device's clock is right",
	Why:      "Which came first, the lock or the cut, is told by the device's clock alone.",
	Judged:   "No device was off by more than the limit when it delivered, and no record's time lies after the moment at which it came in.",
	None:     "no device told its clock",
	Fix:      "Set the device's clock by the network, and look at the times of this job with the crew.",
	Severity: Check, Missing: Silent, Cure: Office,
	Parameters: []Parameter{{"off_s", "s", 300, 30, 3600, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "The phone's clock was 4 s fast.",
		Broken: "The phone's clock was 3,600 s fast.",
	},
	check: func(c *check) {
		var told []domain.UUID // devices that were judged
		for e := range c.job.entries() {
			if e.ClockOffsetS != nil && !slices.Contains(told, e.DeviceID) {
				told = append(told, e.DeviceID)
				c.clockOf(e.DeviceID)
			}
			if at, known := timeOf(e.Record); known && !e.ReceivedAt.IsZero() {
				p := c.on(domain.Subject{Kind: e.Record.Kind(), ID: e.ID})
				if ahead := at.Sub(e.ReceivedAt).Seconds(); ahead > c.limit("off_s") {
					p.fault("by its own time it was made ", fixed(ahead, 0), " s after it came in; the program wants at most ", number(c.limit("off_s")), " s")
				}
				p.done()
			}
		}
	},
}

// clockOf judges one device by the widest offset that it showed.
func (c *check) clockOf(device domain.UUID) {
	widest := 0.0
	for e := range c.job.entries() {
		if e.DeviceID == device && e.ClockOffsetS != nil && math.Abs(*e.ClockOffsetS) > math.Abs(widest) {
			widest = *e.ClockOffsetS
		}
	}
	p := c.on(domain.Subject{Kind: domain.DeviceKind, ID: device})
	if math.Abs(widest) > c.limit("off_s") {
		word := " s fast"
		if widest < 0 {
			word = " s slow"
		}
		p.fault("its clock was ", fixed(math.Abs(widest), 0), word, "; the program wants within ", number(c.limit("off_s")), " s")
	}
	p.done()
}

// timeOf is the latest moment that a record tells.
func timeOf(r domain.Record) (at time.Time, known bool) {
	later := func(t *time.Time) {
		if t != nil && (!known || t.After(at)) {
			at, known = *t, true
		}
	}
	switch r := r.(type) {
	case *domain.Opening:
		later(r.MadeAt)
		later(r.ClosedAt)
	case *domain.Repair:
		later(&r.DoneAt)
	case *domain.Measurement:
		later(&r.TakenAt)
	case *domain.Photo:
		later(&r.TakenAt)
	case *domain.EnergyIsolation:
		later(r.VerifiedAt)
		later(r.ReleasedAt)
	case *domain.Visit: // what was felt and tested on it; its own two times are judged for themselves
		if r.Air != nil {
			later(r.Air.FeltAt)
		}
		if r.Combustion != nil {
			later(r.Combustion.TestedAt)
		}
	}
	return at, known
}

var kitConfirmed = Rule{
	Key: "kit_confirmed", Title: "What a form filled in was confirmed on this job",
	Why:      "A form that fills in the usual says what is usual, not what was done here.",
	Judged:   "Where a patch, an end closure or the bands of a crossover were filled in as a kit, somebody confirmed it on this job. Facts that were entered one by one need none. Once the crew has left it is a question.",
	None:     "no kit was filled in",
	Fix:      "Look at the part, open the form and confirm what is there, or correct it.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CrawlSpace,
	Source: practice,
	Example: Example{
		Holds:  "Patch of the usual kit, confirmed when it was set.",
		Broken: "None: a kit that nobody confirmed is not recorded.",
	},
	check: func(c *check) {
		kit := func(s domain.Subject, what string, confirmed ...*bool) {
			p, said := c.hidden(s), false
			for _, yes := range confirmed {
				if yes != nil {
					said = true
					if !*yes && len(p.lacks) == 0 {
						p.lack("that somebody confirmed ", what)
					}
				}
			}
			if said {
				p.done()
			}
		}
		for _, o := range c.job.Openings {
			kit(o.Subject(), "how it was closed", closureOf(o.Record).KitConfirmed)
		}
		for _, r := range c.job.Repairs {
			if r.Record.EndClosure != nil {
				kit(r.Subject(), "what closes it", r.Record.EndClosure.KitConfirmed)
			}
		}
		for _, x := range c.job.Crossovers {
			var ends []*bool
			for i := range x.Record.Ends {
				ends = append(ends, x.Record.Ends[i].KitConfirmed)
			}
			kit(x.Subject(), "the bands at its ends", ends...)
		}
	},
}
