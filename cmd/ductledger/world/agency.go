package world

import (
	"fmt"
	"math"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
)

// Crew is a contractor with its people, papers, instruments and phone.
type Crew struct {
	Number     int
	Contractor domain.UUID
	Device     domain.UUID
	Lead       domain.UUID
	Member     domain.UUID
	Tester     domain.UUID // the combustion tester's paper
	Fans       []Fan       // in calibration, one after the other
	Lapsed     domain.UUID // a fan that should have stayed at home
	// How well it works: added to the logarithm of the leakage after, and by
	// which the chance of a fault is multiplied.
	leakier, careless float64
}

// Fan is a duct fan with the last day of its calibration.
type Fan struct {
	ID      domain.UUID
	UntilOn domain.Date
}

// fanOn is a fan whose calibration covers the day.
func (c *Crew) fanOn(day domain.Date) domain.UUID {
	for _, f := range c.Fans {
		if day <= f.UntilOn {
			return f.ID
		}
	}
	return c.Fans[len(c.Fans)-1].ID
}

// crewSpread is the standard deviation of the logarithm of the leakage after
// that belongs to the contractor and not to the job.
const crewSpread = 0.15

// crews makes the contractors and all that stands in no job.
func (w *World) crews() {
	for n := range w.options.Contractors {
		d := newDice(w.options.Seed, uint64(n)<<32)
		c := &Crew{Number: n + 1, leakier: crewSpread * d.NormFloat64(), careless: math.Exp(0.4 * d.NormFloat64())}
		w.Crews = append(w.Crews, c)
		c.Contractor, c.Device, c.Lead, c.Member = d.id(w.Start), d.id(w.Start), d.id(w.Start), d.id(w.Start)
		certificate, second := d.id(w.Start), d.id(w.Start)
		if n == 0 && w.options.Fixtures {
			c.Contractor, c.Device, c.Lead, c.Member = fixed(FixedContractor), fixed(FixedDevice), fixed(FixedLead), fixed(FixedMember)
			certificate, second = fixed(FixedCredential), fixed(FixedInstrument)
		}
		w.add(c.Contractor, &domain.Contractor{Name: fmt.Sprintf("DEMO Sealing Co. %d", c.Number), StartedOn: w.on(-300)})
		w.add(c.Lead, &domain.CrewMember{ContractorID: c.Contractor, Name: fmt.Sprintf("DEMO Lead %d", c.Number), HomesLedBeforeCount: new(d.between(15, 80))})
		w.add(c.Member, &domain.CrewMember{ContractorID: c.Contractor, Name: fmt.Sprintf("DEMO Member %d", c.Number), HomesLedBeforeCount: new(d.between(0, 8))})
		w.add(c.Device, &domain.Device{ContractorID: &c.Contractor, Name: fmt.Sprintf("DEMO phone %d", c.Number), State: domain.DeviceActive})
		w.papers(c, d, certificate)
		w.fans(c, d, second)
	}
}

func (w *World) papers(c *Crew, d dice, certificate domain.UUID) {
	c.Tester = d.id(w.Start)
	w.add(certificate, &domain.Credential{CrewMemberID: &c.Lead, Credential: domain.DuctSealingCertificate,
		Number: fmt.Sprintf("DEMO-%03d", c.Number), ValidFromOn: w.on(-200), ValidUntilOn: w.on(w.days + 30*c.Number)})
	w.add(c.Tester, &domain.Credential{CrewMemberID: &c.Lead, Credential: domain.CombustionTester,
		Number: fmt.Sprintf("DEMO-C%03d", c.Number), ValidFromOn: w.on(-200), ValidUntilOn: w.on(w.days + 400)})
	w.add(d.id(w.Start), &domain.Credential{ContractorID: &c.Contractor, Credential: domain.Insurance,
		Number: fmt.Sprintf("DEMO-I%03d", c.Number), ValidFromOn: w.on(-100), ValidUntilOn: w.on(w.days + 200)})
}

// calibrationDays is how long a calibration is good for.
const calibrationDays = 365

func (w *World) fans(c *Crew, d dice, last domain.UUID) {
	c.Lapsed = d.id(w.Start)
	w.fan(c, c.Lapsed, "OLD", -calibrationDays-60)
	// Each is calibrated for a year; the last one began ten days before it is needed.
	for from := -20; ; from += calibrationDays - 10 {
		until := from + calibrationDays
		id := d.id(w.Start)
		if until >= w.days+60 {
			id = last
		}
		w.fan(c, id, fmt.Sprintf("%d", len(c.Fans)+1), from)
		c.Fans = append(c.Fans, Fan{id, w.on(until)})
		if until >= w.days+60 {
			return
		}
	}
}

func (w *World) fan(c *Crew, id domain.UUID, mark string, from int) {
	w.add(id, &domain.Instrument{ContractorID: &c.Contractor, Instrument: domain.DuctFan, Serial: fmt.Sprintf("DEMO-%d-%s", c.Number, mark),
		CalibratedOn: w.on(from), CalibratedUntilOn: w.on(from + calibrationDays),
		FlowAccuracyRatio: new(0.03), PressureAccuracyRatio: new(0.01)})
}

// add appends a record that stands in no job.
func (w *World) add(id domain.UUID, r domain.Record) {
	w.Setup = append(w.Setup, rules.Item{Kind: r.Kind(), ID: id, Record: r})
}

// on is a day counted from the first one.
func (w *World) on(day int) domain.Date { return domain.Date(w.day(day).Format(time.DateOnly)) }

func (w *World) day(day int) time.Time { return w.Start.AddDate(0, 0, day) }
