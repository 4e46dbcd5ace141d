package rules

import (
	"iter"
	"math"
	"slices"
	"strconv"
	"strings"
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

// handsOn tells whether somebody opened, took down or sealed something, whatever
// the outcome says.
func (a *Assembled) handsOn() bool {
	return a.sealing() || slices.ContainsFunc(a.Openings, func(o Of[domain.Opening]) bool { return o.Record.Made() })
}

// sealing tells whether work on the ducts themselves is recorded.
func (a *Assembled) sealing() bool {
	return len(a.Repairs) > 0 || slices.ContainsFunc(a.Crossovers, func(x Of[domain.Crossover]) bool { return x.Record.TakenDownAt != nil })
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

const inchesPerFoot = 12.0

// slack is the rounding error allowed where a length is the difference of two
// that were typed in: 20.4 − 18.4 is not exactly 2 in binary. No tape is read
// so finely, ft or in.
const slack = 1e-9

func over(x, limit float64) bool  { return x > limit+slack }
func under(x, limit float64) bool { return x < limit-slack }

// rounded takes the rounding error off a difference before it is shown.
func rounded(x float64) float64 { return math.Round(x*1000) / 1000 }

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
