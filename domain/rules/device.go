package rules

import (
	"math"
	"slices"
	"time"

	"ductledger/domain"
)

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
	}
	return at, known
}
