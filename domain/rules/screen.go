package rules

import (
	"slices"

	"ductledger/domain"
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
	&screenFloorArea, &screenMinutesApart, &screenSameReadings, &screenSamePhoto,
	&screenOutsideVisits, &screenTwoHomesAtOnce, &screenInspectorGap,
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
