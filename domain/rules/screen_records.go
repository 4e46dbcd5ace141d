package rules

import (
	"strings"
	"time"

	"ductledger/domain"
)

var screenSameReadings = Screen{
	Key:      "same_readings",
	Question: "The same readings, to the digit, stand at another home. Were both homes read?",
	Innocent: "Coarse gauges repeat themselves, and a form may have been filled in twice by mistake.",
	Source:   practice,
	ask: func(s *screening) {
		if jobs := s.job.Outside.SameTests; len(jobs) > 0 {
			s.ask(ids(jobs)+" has them too", s.job.subject())
		}
	},
}

var screenSamePhoto = Screen{
	Key:      "same_photo",
	Question: "The very same picture was sent for another home. Which home does it show?",
	Innocent: "One picture was sent twice by mistake; the same home under two jobs is fine.",
	Source:   practice,
	ask: func(s *screening) {
		for _, same := range s.job.Outside.SamePhotos {
			for _, p := range s.job.Photos {
				if p.Record.SHA256 == same.SHA256 && len(same.JobIDs) > 0 {
					s.ask(ids(same.JobIDs)+" has it too", p.Subject())
				}
			}
		}
	},
}

// ids names other jobs; one whose id is zero is not to be named to the reader.
func ids(list []domain.UUID) string {
	names := make([]string, len(list))
	for i, id := range list {
		if names[i] = "job " + id.String(); id.IsZero() {
			names[i] = "another job"
		}
	}
	return strings.Join(names, ", ")
}

var screenOutsideVisits = Screen{
	Key:      "outside_visits",
	Question: "Work or a reading lies on a day on which no visit is recorded. When was it?",
	Innocent: "The record was typed in later, or a visit was forgotten.",
	Source:   practice,
	ask: func(s *screening) {
		if len(s.job.Visits) == 0 {
			return
		}
		for e := range s.job.entries() {
			m, read := e.Record.(*domain.Measurement)
			if read && m.Stage == domain.InspectionStage {
				continue
			}
			at, known := timeOf(e.Record)
			if known && !s.job.visitedOn(s.job.Day(at)) {
				s.ask("it is of "+string(s.job.Day(at)), domain.Subject{Kind: e.Record.Kind(), ID: e.ID})
			}
		}
	},
}

func (a *Assembled) visitedOn(day domain.Date) bool {
	for _, v := range a.Visits {
		if v.Record.VisitedOn == day {
			return true
		}
	}
	return false
}

var screenTwoHomesAtOnce = Screen{
	Key:      "two_homes_at_once",
	Question: "A member of the crew is recorded at another home at the same time. Who was where?",
	Innocent: "Homes side by side in one park, or a crew that split up and a visit that names all.",
	Source:   practice,
	ask: func(s *screening) {
		for _, v := range s.job.Visits {
			if v.Record.ArrivedAt == nil || v.Record.LeftAt == nil {
				continue
			}
			for _, other := range s.job.Outside.OtherVisits {
				if there(v.Record, other.CrewMemberID) && overlap(*v.Record.ArrivedAt, *v.Record.LeftAt, other) {
					s.ask("on "+ids([]domain.UUID{other.JobID})+" from "+s.job.clock(other.ArrivedAt)+" to "+s.job.clock(other.LeftAt), v.Subject(),
						domain.Subject{Kind: domain.CrewMemberKind, ID: other.CrewMemberID})
				}
			}
		}
	},
}

func there(v *domain.Visit, member domain.UUID) bool {
	if v.LeadID != nil && *v.LeadID == member {
		return true
	}
	for _, id := range v.CrewIDs {
		if id == member {
			return true
		}
	}
	return false
}

func overlap(arrived, left time.Time, other OtherVisit) bool {
	return other.ArrivedAt.Before(left) && arrived.Before(other.LeftAt)
}
