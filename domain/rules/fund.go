package rules

import (
	"slices"
	"strings"
)

var fundSourceNamed = Rule{
	Key: "fund_source_named", Title: "The job names the fund that pays for it",
	Why:      "Money goes where the job says; a job that names no fund would be charged to somebody by chance.",
	Judged:   "Where the program has several funds, the job names one of them. Where it has one, a job that names none means that one.",
	None:     "the program pays from one fund",
	Fix:      "Give the job the fund that it is for.",
	Severity: MustFix, Missing: Blocks, Cure: Office,
	Source: practice,
	Example: Example{
		Holds:  "The program pays from state_fund and utility_fund; the job says utility_fund.",
		Broken: "The job says city_fund, which the program does not have.",
	},
	check: func(c *check) {
		named := c.job.Job.Record.FundSource
		if len(c.set.Funds) == 0 || len(c.set.Funds) == 1 && (named == "" || named == c.set.Funds[0]) {
			return
		}
		p := c.on(c.job.subject())
		switch {
		case named == "":
			p.lack("the fund that pays for the job")
		case !slices.Contains(c.set.Funds, named):
			p.fault("the job names ", spaced(named), "; the program pays from ", spaced(strings.Join(c.set.Funds, ", ")))
		}
		p.done()
	},
}
