package rules

import (
	"iter"
	"slices"
	"time"

	"ductledger/domain"
)

// find is the place of a record in a list that is ordered by id.
func find[T any](list []Of[T], id domain.UUID) (Of[T], bool) {
	i, ok := slices.BinarySearchFunc(list, id, func(o Of[T], id domain.UUID) int { return o.ID.Compare(id) })
	if !ok {
		return Of[T]{}, false
	}
	return list[i], true
}

// record is a record of the job by kind and id; nil when it does not count.
func (a *Assembled) record(s domain.Subject) domain.Record {
	switch s.Kind {
	case domain.ComponentKind:
		if o, ok := find(a.Components, s.ID); ok {
			return o.Record
		}
	case domain.CrossoverKind:
		if o, ok := find(a.Crossovers, s.ID); ok {
			return o.Record
		}
	case domain.OpeningKind:
		if o, ok := find(a.Openings, s.ID); ok {
			return o.Record
		}
	case domain.RepairKind:
		if o, ok := find(a.Repairs, s.ID); ok {
			return o.Record
		}
	case domain.EnergyIsolationKind:
		if o, ok := find(a.Isolations, s.ID); ok {
			return o.Record
		}
	case domain.MeasurementKind:
		if o, ok := find(a.Measurements, s.ID); ok {
			return o.Record
		}
	case domain.PhotoKind:
		if o, ok := find(a.Photos, s.ID); ok {
			return o.Record
		}
	case domain.AppointmentKind:
		if o, ok := find(a.Appointments, s.ID); ok {
			return o.Record
		}
	case domain.VisitKind:
		if o, ok := find(a.Visits, s.ID); ok {
			return o.Record
		}
	}
	return nil
}

// known is record for names: also of what does not count.
func (a *Assembled) known(s domain.Subject) domain.Record {
	if r := a.record(s); r != nil {
		return r
	}
	for _, e := range a.Voided {
		if e.ID == s.ID && e.Record.Kind() == s.Kind {
			return e.Record
		}
	}
	for _, r := range a.Redone {
		if r.ID == s.ID && s.Kind == domain.RepairKind {
			return r.Record
		}
	}
	for _, e := range a.Superseded {
		if e.ID == s.ID && e.Record.Kind() == s.Kind {
			return e.Record
		}
	}
	for _, d := range a.Disputed {
		for _, e := range d.By {
			if e.ID == s.ID && e.Record.Kind() == s.Kind {
				return e.Record
			}
		}
	}
	return nil
}

// home is the home's facts; one without any where the home is not known.
func (a *Assembled) home() *domain.Home {
	if a.Home.Record == nil {
		return &domain.Home{}
	}
	return a.Home.Record
}

func (a *Assembled) homeSubject() domain.Subject {
	return domain.Subject{Kind: domain.HomeKind, ID: a.Job.Record.HomeID}
}

func (a *Assembled) subject() domain.Subject {
	return domain.Subject{Kind: domain.JobKind, ID: a.ID}
}

// worked tells whether the job is one on which ducts were to be sealed, and
// begun: a refused or deferred job owes no sealed joint. One that says that
// work was done owes it, whatever is recorded.
func (a *Assembled) worked() bool {
	switch a.Job.Record.Outcome {
	case domain.DeferredWork, domain.NotSuitable, domain.Refused, domain.NothingToDo:
		return false
	case domain.Completed, domain.Partial:
		return true
	}
	return len(a.Visits)+len(a.Components)+len(a.Crossovers)+len(a.Openings)+len(a.Repairs)+len(a.Measurements) > 0
}

// early tells a job that its crew has not sent in yet.
func (a *Assembled) early() bool {
	state := a.Job.Record.State
	return state == domain.Assigned || state == domain.InWork
}

// departed tells whether the crew has left, as far as is recorded.
func (a *Assembled) departed() bool {
	last, ok := find(a.Visits, a.lastVisit())
	return ok && last.Record.LeftAt != nil
}

// afterCallBack tells work that was done on a visit for a complaint.
func (a *Assembled) afterCallBack(t time.Time) bool {
	day, complaint := a.Day(t), false
	for _, v := range a.Visits {
		if v.Record.VisitedOn != day {
			continue
		}
		if v.Record.CallBackID == nil {
			return false
		}
		complaint = true
	}
	return complaint
}

// Day is the day of a moment where the program works.
func (a *Assembled) Day(t time.Time) domain.Date {
	zone := a.Outside.Zone
	if zone == nil {
		zone = t.Location()
	}
	return domain.DateOf(t, zone)
}

// WorkedOn is the day by which the job is judged: its first visit's, that of
// no call-back; empty before any.
func (a *Assembled) WorkedOn() domain.Date {
	var first domain.Date
	for _, v := range a.Visits {
		if v.Record.CallBackID == nil && (first == "" || v.Record.VisitedOn < first) {
			first = v.Record.VisitedOn
		}
	}
	return first
}

// mention is one place at which a record names another: of a photo the place
// of the subject too.
type mention struct {
	of            domain.UUID
	by, subjectAt int
}

// index makes the mentions that rules look up for each part, so that judging
// does not grow with the square of the records.
func (a *Assembled) index() {
	for i, r := range a.Repairs {
		for _, id := range r.Record.ComponentIDs {
			a.repairs = append(a.repairs, mention{of: id, by: i})
		}
	}
	replaced := a.replacedReadings()
	for i, p := range a.Photos {
		for n, s := range p.Record.Subjects {
			a.shots = append(a.shots, mention{s.ID, i, n})
			for _, r := range replaced {
				if r[0] == s.ID && s.Kind == domain.MeasurementKind {
					a.shots = append(a.shots, mention{r[1], i, n})
				}
			}
		}
	}
	for _, list := range [][]mention{a.repairs, a.shots} {
		slices.SortStableFunc(list, func(x, y mention) int { return x.of.Compare(y.of) })
	}
}

// replacedReadings are pairs: a reading that was replaced, and the one in force
// to which the corrections lead.
func (a *Assembled) replacedReadings() (pairs [][2]domain.UUID) {
	for _, m := range a.Measurements {
		for old := m.Record.Replaces; old != nil && len(pairs) < len(a.Measurements)+len(a.Superseded); {
			pairs = append(pairs, [2]domain.UUID{*old, m.ID})
			i := slices.IndexFunc(a.Superseded, func(e *domain.Entry) bool { return e.ID == *old })
			if old = nil; i >= 0 {
				if r, ok := a.Superseded[i].Record.(*domain.Measurement); ok {
					old = r.Replaces
				}
			}
		}
	}
	return pairs
}

// mentionsOf are those of one record, in the order of who mentions it.
func mentionsOf(list []mention, id domain.UUID) []mention {
	first, _ := slices.BinarySearchFunc(list, id, func(m mention, id domain.UUID) int { return m.of.Compare(id) })
	last := first
	for last < len(list) && list[last].of == id {
		last++
	}
	return list[first:last]
}

// repairsOf yields the repairs that cover a part.
func (a *Assembled) repairsOf(component domain.UUID) iter.Seq[Of[domain.Repair]] {
	return func(yield func(Of[domain.Repair]) bool) {
		for _, m := range mentionsOf(a.repairs, component) {
			if !yield(a.Repairs[m.by]) {
				return
			}
		}
	}
}

// repaired tells whether any repair covers a part.
func (a *Assembled) repaired(component domain.UUID) bool {
	for range a.repairsOf(component) {
		return true
	}
	return false
}

// photosOf yields the photos of a record, each with what it shows of it. A
// reading that replaces another takes over its photos: the gauge was the same.
func (a *Assembled) photosOf(id domain.UUID) iter.Seq2[Of[domain.Photo], domain.PhotoSubject] {
	return func(yield func(Of[domain.Photo], domain.PhotoSubject) bool) {
		for _, m := range mentionsOf(a.shots, id) {
			if photo := a.Photos[m.by]; !yield(photo, photo.Record.Subjects[m.subjectAt]) {
				return
			}
		}
	}
}

// photographed tells whether any photo shows the record.
func (a *Assembled) photographed(id domain.UUID) bool {
	for range a.photosOf(id) {
		return true
	}
	return false
}

// photoOf finds a photo of a record at a stage.
func (a *Assembled) photoOf(id domain.UUID, stage domain.PhotoStage) (Of[domain.Photo], bool) {
	for p := range a.photosOf(id) {
		if p.Record.Stage == stage {
			return p, true
		}
	}
	return Of[domain.Photo]{}, false
}

// shows tells whether a photo shows that side of a record; section tells the
// end of a crossover and is empty for everything else.
func (a *Assembled) shows(id domain.UUID, side domain.Shows, section domain.Section) bool {
	for _, s := range a.photosOf(id) {
		if s.Shows == side && s.Section == section {
			return true
		}
	}
	return false
}

// sections are the two that a crossover joins.
func sections(x *domain.Crossover) [2]domain.Section {
	return [2]domain.Section{x.FromSection, x.ToSection}
}

// endOf is one end of a crossover; nil where it is not recorded.
func endOf(x *domain.Crossover, section domain.Section) *domain.CrossoverEnd {
	for i := range x.Ends {
		if x.Ends[i].Section == section {
			return &x.Ends[i]
		}
	}
	return nil
}

// electric tells a home whose blower and heat come from one electric furnace.
func electric(h *domain.Home) bool {
	return h.FurnaceKind == domain.ElectricFurnace || h.FurnaceKind == domain.HeatPump
}
