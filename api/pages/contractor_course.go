package pages

import (
	"context"
	"fmt"
	"time"

	"ductledger/api/pages/chart"
	"ductledger/domain"
	"ductledger/domain/draws"
)

// courseShown is what a contractor's inspections tell in their order, with its pictures.
type courseShown struct {
	draws.Course
	From, Before string
	Plan, Sums   *chart.Picture
}

// courseMonths are followed up to the end of the page's period: in fewer a contractor has
// hardly five jobs that were drawn at random.
const courseMonths = 12

// courseOf follows a contractor up to the end of a period of days.
func courseOf(ctx context.Context, v *Visit, id, before string) (*courseShown, error) {
	day, err := time.Parse(time.DateOnly, before)
	if err != nil {
		return nil, domain.At("/before", domain.BadQuery, "before: %q is not a day such as 2026-10-14", before)
	}
	c := &courseShown{From: day.AddDate(0, -courseMonths, 0).Format(time.DateOnly), Before: before}
	if err := v.Get(ctx, c.Address(id), c); err != nil {
		return nil, err
	}
	c.draw()
	return c, nil
}

// Address is where the API answers it.
func (c *courseShown) Address(id string) string {
	return fmt.Sprintf("/v1/contractors/%s/inspection-course?from=%s&before=%s", id, c.From, c.Before)
}

func (c *courseShown) draw() {
	run, s := c.Sequential.Running, &c.Sequential
	if run.Decision == "" {
		return
	}
	own := c.Looks[len(c.Looks)-run.InspectedCount:]
	walk := chart.Walk{Label: fmt.Sprintf("Failures one inspection after the other: %d in %s, between the lines of the plan", run.FailedCount, Count(run.InspectedCount, "job")),
		Values: []float64{0}, Signals: []bool{false}, CasesWord: "jobs inspected since the period began, or the last decision"}
	for _, l := range own {
		walk.Values, walk.Signals = append(walk.Values, float64(l.RunFailedCount)), append(walk.Signals, false)
	}
	n := float64(run.InspectedCount)
	walk.Lines = []chart.WalkLine{{Words: "inspect more", First: s.BadIntercept, Last: s.BadIntercept + s.Slope*n}, {Words: "does well", First: -s.GoodIntercept, Last: s.Slope*n - s.GoodIntercept}}
	plan := walk.Draw()
	c.Plan = &plan
	if c.Sum.Limit == nil {
		return
	}
	watch := chart.Walk{Label: fmt.Sprintf("Failures added up against the other contractors’ share, with %s", Count(c.Sum.SignalsCount, "signal")),
		Values: []float64{0}, Signals: []bool{false}, CasesWord: "jobs inspected in the period", Lines: []chart.WalkLine{{Words: "a signal", First: *c.Sum.Limit, Last: *c.Sum.Limit}}}
	for _, l := range c.Looks {
		if l.Sum != nil {
			watch.Values, watch.Signals = append(watch.Values, *l.Sum), append(watch.Signals, l.Signal)
		}
	}
	sums := watch.Draw()
	c.Sums = &sums
}
