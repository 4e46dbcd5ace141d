package rules

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/leakage"
)

// Screen is a question about a job that looks unusual. It refuses nothing and
// changes no figure: each question comes with an innocent explanation, and a
// person answers it. A screened job stays in every total until a person
// excludes it with a reason.
type Screen struct {
	Key        string      `json:"key"`
	Question   string      `json:"question"`
	Innocent   string      `json:"innocent"` // an explanation without fault, shown with the question
	Parameters []Parameter `json:"parameters,omitzero"`
	Source     string      `json:"source"`

	ask func(*screening)
}

// What a screen asks. It refuses nothing and changes no figure; a person answers it.
type Question struct {
	Screen   string `json:"screen"`
	Question string `json:"question"`
	// What was seen.
	Detail string `json:"detail"`
	// An explanation without fault.
	Innocent string           `json:"innocent"`
	Subjects []domain.Subject `json:"subjects"`
	// The limits that were applied.
	Parameters map[string]float64 `json:"parameters,omitzero"`
}

// screens is the table, in the order in which questions are asked.
var screens = []*Screen{
	&screenHigherAfter, &screenExtremeReduction, &screenExtremeReading, &screenOutsideOverTotal,
	&screenFloorArea, &screenSectionWithoutDucts, &screenMinutesApart, &screenSameReadings, &screenSamePhoto,
	&screenOnePicture, &screenRecordsDisagree, &screenOutsideVisits, &screenTwoHomesAtOnce, &screenInspectorGap,
}

// Ask puts the questions that a job raises, in a fixed order.
func Ask(job *Assembled, result Result) []Question {
	s := screening{job: job, result: &result, questions: []Question{}}
	for _, screen := range screens {
		s.screen = screen
		screen.ask(&s)
	}
	return s.questions
}

// screening is what a screen's function works with.
type screening struct {
	job       *Assembled
	result    *Result
	screen    *Screen
	questions []Question
}

func (s *screening) limit(name string) float64 {
	i := slices.IndexFunc(s.screen.Parameters, func(p Parameter) bool { return p.Name == name })
	return s.screen.Parameters[i].Default
}

// ask puts the screen's question with what was seen.
func (s *screening) ask(detail string, subjects ...domain.Subject) {
	q := Question{Screen: s.screen.Key, Question: s.screen.Question, Detail: detail, Innocent: s.screen.Innocent, Subjects: subjects}
	for _, p := range s.screen.Parameters {
		if q.Parameters == nil {
			q.Parameters = map[string]float64{}
		}
		q.Parameters[p.Name] = p.Default
	}
	s.questions = append(s.questions, q)
}

// tests are the two that the result compares; nil where one is lacking.
func (s *screening) tests() (before, after *taken) {
	if s.result.ReductionCFM25 == nil {
		return nil, nil
	}
	return s.result.before, s.result.after
}

var screenSameReadings = Screen{
	Key:      "same_readings",
	Question: "The same readings, to the digit, stand at another home. Were both homes read?",
	Innocent: "Coarse gauges repeat themselves, and a form may have been filled in twice by mistake.",
	Source:   practice,
	ask: func(s *screening) {
		if jobs := s.job.Outside.SameTests; len(jobs) > 0 {
			s.ask(s.otherJobs(jobs...)+" has them too", s.job.subject())
		}
	},
}

var screenSamePhoto = Screen{
	Key:      "same_photo",
	Question: "The very same picture, or one that looks like it, was sent for another home. Which home does it show?",
	Innocent: "One picture was sent twice by mistake, or two ducts look alike; the same home under two jobs is fine.",
	Source:   practice,
	ask: func(s *screening) {
		for _, p := range s.job.Photos {
			for _, same := range s.job.Outside.SamePhotos {
				if p.Record.SHA256 != same.SHA256 {
					continue
				}
				// One whose picture has arrived is asked about with both pictures.
				others := slices.DeleteFunc(slices.Clone(same.JobIDs), func(job domain.UUID) bool {
					return slices.ContainsFunc(s.job.Outside.LikePhotos, func(like LikePhoto) bool { return like.PhotoID == p.ID && like.OtherJobID == job })
				})
				if len(others) > 0 {
					s.ask(s.otherJobs(others...)+" has it too", p.Subject())
				}
			}
			for _, like := range s.job.Outside.LikePhotos {
				if like.PhotoID != p.ID {
					continue
				}
				subjects := []domain.Subject{p.Subject()}
				if !like.OtherPhotoID.IsZero() {
					subjects = append(subjects, domain.Subject{Kind: domain.PhotoKind, ID: like.OtherPhotoID})
				}
				s.ask("one of "+s.otherJobs(like.OtherJobID)+" looks like it", subjects...)
			}
		}
	},
}

var screenOnePicture = Screen{
	Key:      "one_picture",
	Question: "One and the same picture stands in several photos of this job. What does it show?",
	Innocent: "One picture can show several parts; it was sent once for each in place of once for all.",
	Source:   practice,
	ask: func(s *screening) {
		for i, p := range s.job.Photos {
			same := func(o Of[domain.Photo]) bool { return o.Record.SHA256 == p.Record.SHA256 }
			if slices.ContainsFunc(s.job.Photos[:i], same) {
				continue
			}
			var subjects []domain.Subject
			for _, o := range s.job.Photos[i:] {
				if same(o) {
					subjects = append(subjects, o.Subject())
				}
			}
			if len(subjects) > 1 {
				s.ask(count(len(subjects))+" photos are one picture", subjects...)
			}
		}
	},
}

var screenRecordsDisagree = Screen{
	Key:        "records_disagree",
	Question:   "Two records of this job do not agree. Which one is right?",
	Innocent:   "A word was tapped by mistake, or the home was described before anybody looked under it.",
	Parameters: []Parameter{{"clocks_min", "min", 5, 0, 30, practice}},
	Source:     practice,
	ask: func(s *screening) {
		home := s.job.home()
		for _, o := range s.job.Openings {
			switch {
			case o.Record.In != domain.InWrap:
			case home.WrapKind == domain.NoWrap:
				s.ask("the home is said to have no wrap, and an opening in it is recorded", s.job.homeSubject(), o.Subject())
			case home.WrapState == "missing" && o.Record.Made():
				s.ask("the wrap is said to be missing, and the crew cut it", s.job.homeSubject(), o.Subject())
			}
		}
		for _, x := range s.job.Crossovers {
			s.crossoverDisagrees(x)
		}
		for _, j := range s.job.Components {
			switch {
			case j.Record.Component != domain.FurnaceJoint:
			case home.FurnaceKind == domain.PackagedOutdoor:
				s.ask("a packaged unit outside is said to heat the home, and a furnace joint is described", s.job.homeSubject(), j.Subject())
			case home.FurnaceAccess == domain.NoAccess && s.job.repaired(j.ID):
				s.ask("nobody is said to get to the furnace joint, and it was sealed", s.job.homeSubject(), j.Subject())
			}
		}
		if slices.Contains(home.CombustionAppliances, "furnace") && electric(home) {
			s.ask("an electric furnace is said to heat the home, and a furnace to burn something in it", s.job.homeSubject())
		}
		for i, x := range s.job.Isolations {
			for _, y := range s.job.Isolations[:i] {
				if a, b := x.Record, y.Record; a.FurnaceSection == b.FurnaceSection && a.PointsFoundCount != nil && b.PointsFoundCount != nil && *a.PointsFoundCount != *b.PointsFoundCount {
					s.ask("one furnace was found to have "+some(float64(*b.PointsFoundCount), "point")+" of supply, then "+count(*a.PointsFoundCount), y.Subject(), x.Subject())
				}
			}
		}
		if s.job.Job.Record.Outcome == domain.NothingToDo {
			for _, c := range s.job.Components {
				switch c.Record.Found {
				case domain.FoundLeaky, domain.FoundDetached, domain.FoundMissing, domain.FoundHoled:
					s.ask("there was nothing to do, and it was found "+spaced(string(c.Record.Found)), c.Subject())
				}
			}
		}
		s.photosOutOfOrder()
	},
}

// crossoverDisagrees asks about a crossover whose sort, or whose work, other records
// deny: by either a rule would not be asked.
func (s *screening) crossoverDisagrees(x Of[domain.Crossover]) {
	inside := x.Record.Support == domain.InBelly || x.Record.Support == domain.InFloor
	if inside && (x.Record.ClearanceIn != nil || x.Record.HandPassesUnder != nil || x.Record.SupportSpacingFt != nil || x.Record.SupportsCount != nil) {
		s.ask("it is said to lie inside the home, and how it hangs over the soil is recorded", x.Subject())
	}
	for _, r := range s.job.Repairs {
		if r.Record.CrossoverID == nil || *r.Record.CrossoverID != x.ID {
			continue
		}
		flex, bands := r.Record.Has(domain.FlexDuct), r.Record.Has(domain.Bands)
		switch {
		case x.Record.Crossover == domain.Rigid && (flex || bands):
			s.ask("it is called rigid, and flexible duct or bands went into it", x.Subject(), r.Subject())
		case x.Record.Crossover == domain.FlexOval && bands:
			s.ask("it is called oval, and bands went into it", x.Subject(), r.Subject())
		case x.Record.Action == domain.Refitted && flex:
			s.ask("it is said to be refitted, and new flexible duct went into it", x.Subject(), r.Subject())
		}
	}
}

// photosOutOfOrder asks about photos that are said to be of after the work and are
// older than it, or of before it and younger.
func (s *screening) photosOutOfOrder() {
	clocks := time.Duration(s.limit("clocks_min") * float64(time.Minute))
	for _, p := range s.job.Photos {
		first, last := s.job.workOn(p.Record.Subjects)
		switch at := p.Record.TakenAt; {
		case first == nil:
		case p.Record.Stage == domain.AfterStage && first.Sub(at) > clocks:
			s.ask("the photo after is of "+s.job.clock(at)+", the work of "+s.job.clock(*first), p.Subject())
		case p.Record.Stage == domain.BeforeStage && at.Sub(*last) > clocks:
			s.ask("the photo before is of "+s.job.clock(at)+", the work of "+s.job.clock(*last), p.Subject())
		}
	}
}

// workOn is when the first and the last work was done on what a photo shows; nil
// where none is recorded.
func (a *Assembled) workOn(shown []domain.PhotoSubject) (first, last *time.Time) {
	done := func(at *time.Time) {
		if at != nil && (first == nil || at.Before(*first)) {
			first = at
		}
		if at != nil && (last == nil || at.After(*last)) {
			last = at
		}
	}
	for _, subject := range shown {
		for _, list := range [][]Of[domain.Repair]{a.Repairs, a.Redone} {
			for _, r := range list {
				if slices.Contains(r.Record.ComponentIDs, subject.ID) || r.Record.CrossoverID != nil && *r.Record.CrossoverID == subject.ID {
					done(&r.Record.DoneAt)
				}
			}
		}
		if o, ok := find(a.Openings, subject.ID); ok {
			done(o.Record.ClosedAt)
		}
	}
	return first, last
}

// otherJobs names jobs at other homes by the numbers that people call them by; one
// whose number is not known to the reader is another job.
func (s *screening) otherJobs(list ...domain.UUID) string {
	names := make([]string, len(list))
	for i, id := range list {
		names[i] = "another job"
		if n := s.job.Outside.JobNumbers[id]; n > 0 {
			names[i] = "job " + strconv.FormatInt(n, 10)
		}
	}
	return strings.Join(names, ", ")
}

var screenOutsideVisits = Screen{
	Key:        "outside_visits",
	Question:   "Work, a reading or a photo lies outside every visit that is recorded. When was it?",
	Innocent:   "The record was typed in later, a visit was forgotten, or somebody stayed when the crew left.",
	Parameters: []Parameter{{"clocks_min", "min", 5, 0, 30, practice}},
	Source:     practice,
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
			if !known {
				continue
			}
			subject := domain.Subject{Kind: e.Record.Kind(), ID: e.ID}
			switch on, during := s.job.visitedAt(at, s.limit("clocks_min")); {
			case !on:
				s.ask("it is of "+string(s.job.Day(at)), subject)
			case !during && subject.Kind != domain.EnergyIsolationKind: // isolation_released judges these
				s.ask("it is of "+s.job.clock(at)+", when no crew was there", subject)
			}
		}
	},
}

// visitedAt tells whether a visit of a moment's day is recorded, and whether a crew was
// there at that moment: one whose times are not both recorded may have been.
func (a *Assembled) visitedAt(at time.Time, clocksMin float64) (on, during bool) {
	clocks := time.Duration(clocksMin * float64(time.Minute))
	for _, v := range a.Visits {
		if v.Record.VisitedOn != a.Day(at) {
			continue
		}
		on = true
		came, left := v.Record.ArrivedAt, v.Record.LeftAt
		if came == nil || left == nil || !at.Before(came.Add(-clocks)) && !at.After(left.Add(clocks)) {
			during = true
		}
	}
	return on, during
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
					s.ask("on "+s.otherJobs(other.JobID)+" from "+s.job.clock(other.ArrivedAt)+" to "+s.job.clock(other.LeftAt), v.Subject(),
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

var screenHigherAfter = Screen{
	Key:      "higher_after",
	Question: "The ducts leak more than before, beyond the uncertainty of both readings. What happened between them?",
	Innocent: "One of the readings was prepared differently, or a duct hung loose during the one before.",
	Source:   practice,
	ask: func(s *screening) {
		if before, after := s.tests(); after != nil && s.result.change == leakage.Increased {
			s.ask("before "+fixed(before.cfm25, 1)+", after "+fixed(after.cfm25, 1)+" cfm25", before.Subject(), after.Subject())
		}
	},
}

var screenExtremeReduction = Screen{
	Key:      "extreme_reduction",
	Question: "So large or so small a reduction is rare. Are both readings right?",
	Innocent: "A crossover that lay on the ground was put back; or the home was nearly tight before.",
	Parameters: []Parameter{
		{"over_ratio", "fraction", 0.9, 0.5, 1, practice},
		{"under_ratio", "fraction", 0.1, 0, 0.5, practice},
	},
	Source: practice,
	ask: func(s *screening) {
		before, after := s.tests()
		if after == nil || s.result.change == leakage.Increased {
			return
		}
		if r := *s.result.ReductionRatio; r > s.limit("over_ratio") || r < s.limit("under_ratio") {
			s.ask("reduction "+fixed(100*r, 0)+" %", before.Subject(), after.Subject())
		}
	},
}

var screenExtremeReading = Screen{
	Key:      "extreme_reading",
	Question: "Few homes of this kind leak so much or so little. Is the reading right?",
	Innocent: "A small home with good ducts; or a crossover that hung loose; or a value typed in another unit.",
	Parameters: []Parameter{
		{"before_under_cfm25", "cfm25", 20, 0, 100, practice},
		{"before_over_cfm25", "cfm25", 900, 300, 5000, practice},
		{"after_under_cfm25", "cfm25", 10, 0, 50, practice},
	},
	Source: practice,
	ask: func(s *screening) {
		if b := s.result.before; b != nil && (b.cfm25 < s.limit("before_under_cfm25") || b.cfm25 > s.limit("before_over_cfm25")) {
			s.ask("before "+fixed(b.cfm25, 1)+" cfm25", b.Subject())
		}
		if a := s.result.after; a != nil && a.cfm25 < s.limit("after_under_cfm25") {
			s.ask("after "+fixed(a.cfm25, 1)+" cfm25", a.Subject())
		}
	},
}

var screenOutsideOverTotal = Screen{
	Key:      "outside_over_total",
	Question: "Leakage to outside is a part of total leakage and cannot be more. Which reading is wrong?",
	Innocent: "Wind, or a register that came unsealed during the test of total leakage.",
	Source:   practice,
	ask: func(s *screening) {
		scratch := Result{limits: s.result.limits}
		tests := s.job.tests(&scratch)
		for _, total := range tests {
			for _, outside := range tests {
				if total.Record.Method == domain.FanTotal && outside.Record.Method != domain.FanTotal &&
					total.Record.Stage == outside.Record.Stage && outside.cfm25 > total.cfm25 {
					s.ask("to outside "+fixed(outside.cfm25, 1)+", total "+fixed(total.cfm25, 1)+" cfm25", outside.Subject(), total.Subject())
				}
			}
		}
	},
}

var screenFloorArea = Screen{
	Key:      "floor_area",
	Question: "The floor area is unusual for a home of so many sections. Is it right?",
	Innocent: "An addition was counted in, or a value was typed in another unit.",
	Parameters: []Parameter{
		{"under_ft2", "ft²", 300, 100, 800, practice},
		{"over_ft2", "ft²", 2600, 1500, 5000, practice},
		{"single_over_ft2", "ft²", 1500, 800, 2500, practice},
		{"more_under_ft2", "ft²", 700, 300, 1500, practice},
	},
	Source: practice,
	ask: func(s *screening) {
		home := s.job.home()
		if home.FloorAreaFt2 == nil {
			return
		}
		area := *home.FloorAreaFt2
		if area < s.limit("under_ft2") || area > s.limit("over_ft2") ||
			home.SectionCount == 1 && area > s.limit("single_over_ft2") || home.SectionCount > 1 && area < s.limit("more_under_ft2") {
			s.ask(number(area)+" ft² and "+count(home.SectionCount)+" sections", s.job.homeSubject())
		}
	},
}

var screenSectionWithoutDucts = Screen{
	Key:      "section_without_ducts",
	Question: "A section of the home is said to hold no ducts. What heats it?",
	Innocent: "Its rooms have heaters of their own, or it was added without ducts.",
	Source:   practice,
	ask: func(s *screening) {
		home := s.job.home()
		if ducted := len(home.DuctedSections); ducted > 0 && ducted < home.SectionCount {
			s.ask(count(home.SectionCount)+" sections, ducts in "+count(ducted), s.job.homeSubject())
		}
	},
}

var screenMinutesApart = Screen{
	Key:        "minutes_apart",
	Question:   "Before and after lie so close together that the work hardly fits between. Are the times right?",
	Innocent:   "The device's clock was changed, or both readings were typed in at the end of the day.",
	Parameters: []Parameter{{"minutes_under", "min", 30, 1, 240, practice}},
	Source:     practice,
	ask: func(s *screening) {
		before, after := s.tests()
		if after == nil || len(s.job.Repairs) == 0 {
			return
		}
		if apart := after.Record.TakenAt.Sub(before.Record.TakenAt); apart < time.Duration(s.limit("minutes_under")*float64(time.Minute)) {
			s.ask(fixed(apart.Minutes(), 0)+" minutes apart, "+count(len(s.job.Repairs))+" repairs", before.Subject(), after.Subject())
		}
	},
}

var screenInspectorGap = Screen{
	Key:        "inspector_gap",
	Question:   "The inspector read another leakage than the crew. Why?",
	Innocent:   "Something came off since, wind, or another preparation.",
	Parameters: []Parameter{{"repeatability_ratio", "fraction", 0.05, 0.01, 0.2, practice}},
	Source:     "Bland and Altman, Lancet 1986: 95 % of pairs differ by less than 2.77 standard deviations, on the log scale",
	ask: func(s *screening) {
		_, after := s.tests()
		if after == nil {
			return
		}
		for _, m := range s.job.Measurements {
			if m.Record.Stage != domain.InspectionStage || m.Record.Method != after.Record.Method {
				continue
			}
			test, err := s.job.test(m, s.result.limits)
			if err != nil {
				continue
			}
			if gap := math.Abs(math.Log(test.cfm25 / after.cfm25)); gap > float64(pairFactor*s.limit("repeatability_ratio")) {
				s.ask("inspector "+fixed(test.cfm25, 1)+", crew "+fixed(after.cfm25, 1)+" cfm25", m.Subject(), after.Subject())
			}
		}
	},
}

// pairFactor is √2·1.96: two readings of one thing differ by less in 95 of 100
// pairs, in standard deviations of one.
const pairFactor = 2.77
