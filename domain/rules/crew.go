package rules

import (
	"strconv"

	"ductledger/domain"
)

var crewCertified = Rule{
	Key: "crew_certified", Title: "The lead is certified on the day",
	Why:      "The lead decides under the home what is cut and what is left.",
	Judged:   "On each visit the lead's duct-sealing certificate covers the day.",
	None:     "no visit is recorded",
	Severity: MustFix, Missing: Blocks, Cure: NoCure,
	Source: practice,
	Example: Example{
		Holds:  "Visit of 2026-10-14, certificate to 2027-02-28.",
		Broken: "Visit of 2026-10-14, certificate to 2026-09-30.",
	},
	check: func(c *check) {
		for _, v := range c.job.Visits {
			p := c.on(v.Subject())
			switch lead := v.Record.LeadID; {
			case lead == nil:
				p.lack("who led the crew")
			case !c.job.certified(*lead, domain.DuctSealingCertificate, v.Record.VisitedOn):
				p.fault("no duct-sealing certificate of the lead covers ", string(v.Record.VisitedOn))
			}
			p.done()
		}
	},
}

var crewMemberSupervised = Rule{
	Key: "crew_member_supervised", Title: "A new lead works beside an experienced member",
	Why:      "The first homes of a lead are where most is missed.",
	Judged:   "A lead who has led fewer homes than the limit works with a named member who has led as many or more.",
	None:     "no visit with a lead is recorded",
	Severity: Check, Missing: Silent, Cure: NoCure,
	Parameters: []Parameter{{"homes_count", "homes", 10, 1, 100, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "A lead with 3 homes, beside a member with 41.",
		Broken: "A lead with 3 homes, beside a member with 5.",
	},
	check: func(c *check) {
		asked := int(c.limit("homes_count"))
		for _, v := range c.job.Visits {
			if v.Record.LeadID == nil {
				continue
			}
			p := c.on(v.Subject())
			led, known := c.job.homesLed(*v.Record.LeadID)
			switch {
			case led >= asked:
			case !known:
				p.lack("how many homes the lead has led")
			default:
				c.supervised(&p, v.Record, led, asked)
			}
			p.done()
		}
	},
}

// supervised looks for an experienced member beside a new lead.
func (c *check) supervised(p *part, v *domain.Visit, led, asked int) {
	unknown := false
	for _, member := range v.CrewIDs {
		if member == *v.LeadID {
			continue
		}
		homes, known := c.job.homesLed(member)
		if homes >= asked {
			return
		}
		unknown = unknown || !known
	}
	if unknown {
		p.lack("how many homes the other members have led")
		return
	}
	p.fault("the lead has led ", some(float64(led), "home"), " and no member with ", count(asked), " or more worked beside")
}

// homesLed is how many homes a member has led: before the program recorded
// them and since. What is known is a least number where the first is not.
func (a *Assembled) homesLed(member domain.UUID) (homes int, known bool) {
	homes = a.Outside.HomesLed[member]
	if m, ok := find(a.Members, member); ok && m.Record.HomesLedBeforeCount != nil {
		return homes + *m.Record.HomesLedBeforeCount, true
	}
	return homes, false
}

var homeNotTreatedBefore = Rule{
	Key: "home_not_treated_before", Title: "The home was not treated before",
	Why:      "The funder does not pay twice for one home within the term.",
	Judged:   "No duct sealing at this home was accepted within the term before the day of the work; before any visit, before the day on which the job was recorded. The term of the program's own funds may differ.",
	None:     "no visit is recorded, nor when the job was",
	Fix:      "Charge the work to a fund that allows it, or void the job.",
	Severity: Check, Missing: Silent, Cure: Office,
	Parameters: []Parameter{{"years", "years", 15, 0, 50, statute}},
	Source:     statute + " for weatherization; other terms differ",
	Example: Example{
		Holds:  "Accepted 2011-10-14, worked on again 2026-10-14: 15 years.",
		Broken: "Accepted 2019-05-02, worked on again 2026-10-14.",
	},
	check: func(c *check) {
		day := c.job.WorkedOn()
		if recorded := c.job.Job.RecordedAt; day == "" && !recorded.IsZero() {
			day = c.job.Day(recorded)
		}
		if day == "" {
			return
		}
		var latest domain.Date
		for _, e := range c.job.Outside.Earlier {
			if e.JobID != c.job.ID && e.AcceptedOn <= day && e.AcceptedOn > latest {
				latest = e.AcceptedOn
			}
		}
		p := c.on(c.job.subject())
		if years := int(c.limit("years")); latest != "" && day < yearsAfter(latest, years) {
			p.fault("duct sealing at this home was accepted on ", string(latest), ", less than ", count(years), " years before ", string(day))
		}
		p.done()
	},
}

// yearsAfter is the same day so many years on. 29 February of a year without
// one stands after 28 February and before 1 March, as text and in the calendar.
func yearsAfter(day domain.Date, years int) domain.Date {
	year, err := strconv.Atoi(string(day[:min(4, len(day))]))
	if err != nil || len(day) < 4 {
		return day
	}
	text := strconv.Itoa(year + years)
	for len(text) < 4 {
		text = "0" + text
	}
	return domain.Date(text) + day[4:]
}
