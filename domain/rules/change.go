package rules

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
)

// energyTimes are the members that tell whether energy was off while hands
// were inside; of these both values are shown whenever one changes.
var energyTimes = []string{"isolated_at", "verified_at", "released_at", "made_at", "closed_at", "taken_down_at", "opened_at"}

var timesStand = Rule{
	Key: "times_stand", Title: "Times of energy and openings stay as they were first sent",
	Why:      "A time that is written again until it fits tells nothing of whose hand was inside.",
	Judged:   "When energy was cut, verified and given back, when a duct or cabinet was opened and a duct closed, and when a crossover came down, stand as they were first sent. A changed one shows both.",
	None:     "no such record was changed",
	Severity: Check, Missing: Silent, Cure: NoCure, Hazard: Electricity,
	Source: practice,
	Example: Example{
		Holds:  "Isolated 10:04, first sent so.",
		Broken: "Isolated 09:40, first sent as 10:04.",
	},
	check: func(c *check) {
		for _, was := range c.job.Outside.Past {
			now, stands := c.job.newest(was)
			if was.Version != 1 || !stands || !timed(was.Record) || c.job.mended(now) {
				continue
			}
			p := c.on(domain.Subject{Kind: was.Record.Kind(), ID: was.ID})
			for _, d := range c.job.differences(was.Record, now.Record) {
				if slices.Contains(energyTimes, d.member) {
					p.fault(d.words)
				}
			}
			p.done()
		}
	},
}

// timed tells the records whose times say when energy had to be off.
func timed(r domain.Record) bool {
	switch r := r.(type) {
	case *domain.EnergyIsolation, *domain.Crossover, *domain.Repair:
		return true
	case *domain.Opening:
		return r.In == domain.InDuct
	}
	return false
}

var factsStandAfterReturn = Rule{
	Key: "facts_stand_after_return", Title: "After a return old work changes only with something to show",
	Why:      "A number that fits once it was asked for, and nobody went there, is a guess.",
	Judged:   "Since the job was last returned, no fact that was recorded before changed and no record was voided, unless the crew went there again, or a new photo or reading shows the part. A fact that was missing may be added. Both values are shown.",
	None:     "nothing was changed since a return",
	Severity: Check, Missing: Silent, Cure: NoCure,
	Source: practice,
	Example: Example{
		Holds:  "3 screws, returned, a visit two days later, now 4 screws.",
		Broken: "3 screws, returned, now 4 screws, and nobody went there.",
	},
	check: func(c *check) {
		returned, position, ok := c.job.returned()
		if !ok {
			return
		}
		went := slices.ContainsFunc(c.job.Visits, func(v Of[domain.Visit]) bool {
			return since(v.Entry, position) && v.Version <= 1 && v.Record.VisitedOn >= c.job.Day(returned.RecordedAt)
		})
		for i, was := range c.job.Outside.Past {
			if was.Position > position || c.job.stoodLater(i, position) {
				continue
			}
			now, stands := c.job.newest(was)
			if now == nil || !since(now, position) || c.job.mended(now) {
				continue // as it was at the return, or mended by the office
			}
			p := c.on(domain.Subject{Kind: was.Record.Kind(), ID: was.ID})
			switch {
			case went || c.job.shownSince(was, position):
			case !stands:
				p.fault("it was voided after the return")
			default:
				for _, d := range c.job.differences(was.Record, now.Record) {
					if !timed(was.Record) || !slices.Contains(energyTimes, d.member) { // times_stand says these
						p.fault(d.words)
					}
				}
			}
			p.done()
		}
	},
}

// returned is the last review that sent the job back to its crew, with its
// position; one that comes now stands behind everything.
func (a *Assembled) returned() (last Of[domain.Review], position int64, ok bool) {
	for _, r := range a.Reviews {
		at := r.Position
		if at == 0 {
			at = math.MaxInt64
		}
		if r.Record.Decision == domain.Return && at > position {
			last, position, ok = r, at, true
		}
	}
	return last, position, ok
}

// since tells a version that came after a position; one that comes now has no
// position yet.
func since(e *domain.Entry, position int64) bool {
	return position < math.MaxInt64 && (e.Position == 0 || e.Position > position)
}

// mended tells a version that came after the last acceptance: then the office
// corrects in its own name.
func (a *Assembled) mended(now *domain.Entry) bool {
	behind := func(position int64) int64 { // what comes now
		if position == 0 {
			return math.MaxInt64
		}
		return position
	}
	var accepted int64
	for _, r := range a.Reviews {
		if r.Record.Decision == domain.Accept {
			accepted = max(accepted, behind(r.Position))
		}
	}
	return accepted > 0 && behind(now.Position) > accepted
}

// stoodLater tells whether a version in the past was itself replaced by then.
// The past is ordered by id and version.
func (a *Assembled) stoodLater(i int, position int64) bool {
	past := a.Outside.Past
	return i+1 < len(past) && past[i+1].ID == past[i].ID && past[i+1].Position <= position
}

// newest is the version that stands now of a record; it does not stand where
// it was voided.
func (a *Assembled) newest(was domain.Entry) (now *domain.Entry, stands bool) {
	switch was.Record.(type) {
	case *domain.Visit:
		now = entryIn(a.Visits, was.ID)
	case *domain.Component:
		now = entryIn(a.Components, was.ID)
	case *domain.Crossover:
		now = entryIn(a.Crossovers, was.ID)
	case *domain.Opening:
		now = entryIn(a.Openings, was.ID)
	case *domain.EnergyIsolation:
		now = entryIn(a.Isolations, was.ID)
	case *domain.Repair:
		if now = entryIn(a.Repairs, was.ID); now == nil {
			now = entryIn(a.Redone, was.ID)
		}
	}
	if now != nil {
		return now, true
	}
	for _, e := range a.Voided {
		if e.ID == was.ID && e.Record.Kind() == was.Record.Kind() {
			return e, false
		}
	}
	return nil, false
}

func entryIn[T any](list []Of[T], id domain.UUID) *domain.Entry {
	if o, ok := find(list, id); ok {
		return o.Entry
	}
	return nil
}

// shownSince tells whether a photo or a reading that came after a position
// shows a record, or of a repair one of its parts.
func (a *Assembled) shownSince(was domain.Entry, position int64) bool {
	shown := []domain.UUID{was.ID}
	if r, ok := was.Record.(*domain.Repair); ok {
		shown = append(shown, r.ComponentIDs...)
		if r.CrossoverID != nil {
			shown = append(shown, *r.CrossoverID)
		}
	}
	for _, id := range shown {
		for photo := range a.photosOf(id) {
			if since(photo.Entry, position) {
				return true
			}
		}
	}
	return slices.ContainsFunc(a.Measurements, func(m Of[domain.Measurement]) bool {
		return since(m.Entry, position) && slices.ContainsFunc(m.Record.Readings, func(r domain.Reading) bool { return r.ComponentID != nil && slices.Contains(shown, *r.ComponentID) })
	})
}

// difference is one member of a record that says something else than before.
type difference struct {
	member string
	words  string // both values
}

// differences lists what a record said and says otherwise now, in the order of
// its members. What was not said before is no difference; free texts are for
// people and may be erased.
func (a *Assembled) differences(was, is domain.Record) (list []difference) {
	a.differ("", reflect.ValueOf(was).Elem(), reflect.ValueOf(is).Elem(), &list)
	return list
}

func (a *Assembled) differ(of string, was, is reflect.Value, list *[]difference) {
	for i := range was.NumField() {
		tag := was.Type().Field(i).Tag
		member, _, _ := strings.Cut(tag.Get("json"), ",")
		if member == "job_id" || tag.Get("text") == "free" {
			continue
		}
		a.differIn(of, member, was.Field(i), is.Field(i), list)
	}
}

// differIn compares one member. A pointer tells a false and a zero from what is
// not recorded.
func (a *Assembled) differIn(of, member string, was, is reflect.Value, list *[]difference) {
	say := func(then, now string) {
		if then == now {
			now = "another"
		}
		*list = append(*list, difference{member, of + memberWords(member) + ": " + then + ", now " + now})
	}
	if was.IsZero() {
		return
	}
	if is.IsZero() {
		say(a.valueWords(member, was), "not recorded")
		return
	}
	if was.Kind() == reflect.Pointer {
		was, is = was.Elem(), is.Elem()
	}
	switch then := was.Interface().(type) {
	case time.Time:
		if now := is.Interface().(time.Time); !then.Equal(now) {
			form := "15:04"
			if len(a.Visits) > 1 || a.Day(then) != a.Day(now) {
				form = "2 Jan 15:04"
			}
			say(then.Format(form), now.Format(form))
		}
		return
	case domain.Subject:
		if then != is.Interface().(domain.Subject) {
			say(a.nameOf(then), a.nameOf(is.Interface().(domain.Subject)))
		}
		return
	}
	switch {
	case was.Kind() == reflect.Struct:
		a.differ(of, was, is, list)
	case was.Kind() == reflect.Slice && was.Type().Elem().Kind() == reflect.Struct && was.Len() == is.Len():
		for i := range was.Len() {
			where := of
			if section := was.Index(i).FieldByName("Section"); section.IsValid() {
				where = "end " + section.String() + ", "
			}
			a.differ(where, was.Index(i), is.Index(i), list)
		}
	case !reflect.DeepEqual(was.Interface(), is.Interface()):
		say(a.valueWords(member, was), a.valueWords(member, is))
	}
}

// units are the endings of members with the words behind a value.
var units = []struct{ ending, words string }{{"_length_in", " in"}, {"_length_ft", " ft"}, {"_in2", " in²"}, {"_gal", " gal"}, {"_in", " in"}, {"_ft", " ft"}, {"_pa", " Pa"}, {"_ppm", " ppm"}, {"_f", " °F"}, {"_count", ""}, {"_at", ""}, {"_on", ""}, {"_ids", ""}, {"_id", ""}}

func memberWords(member string) string {
	for _, u := range units {
		if bare, cut := strings.CutSuffix(member, u.ending); cut {
			return spaced(bare)
		}
	}
	return spaced(member)
}

// valueWords says a value as the crew does.
func (a *Assembled) valueWords(member string, v reflect.Value) string {
	if v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	var words string
	switch x := v.Interface().(type) {
	case time.Time:
		return a.clock(x)
	case domain.UUID:
		return "one"
	case bool:
		if x {
			return "yes"
		}
		return "no"
	case float64:
		words = number(x)
	case int:
		words = count(x)
	default:
		switch v.Kind() {
		case reflect.String:
			return spaced(v.String())
		case reflect.Slice:
			if v.Type().Elem().Kind() != reflect.String || v.Len() == 0 {
				return count(v.Len())
			}
			var list []string
			for i := range v.Len() {
				list = append(list, spaced(v.Index(i).String()))
			}
			return strings.Join(list, " and ")
		}
		return "recorded"
	}
	return words + unitOf(member)
}

// unitOf is what follows a value of a member.
func unitOf(member string) string {
	for _, u := range units {
		if strings.HasSuffix(member, u.ending) {
			return u.words
		}
	}
	return ""
}
