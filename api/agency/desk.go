// Package agency serves the agency's own work, which no crew does: which jobs are
// inspected and what that tells, who may lead and what to teach, how often
// contractors are called back, and which homes wait.
package agency

import (
	"maps"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage"

	"github.com/go-json-experiment/json/jsontext"
)

// Desk has the handlers.
type Desk struct {
	DB    *storage.DB
	Entry func(domain.Caller, *domain.Entry) jsontext.Value // as the caller may read it
}

// Routes are the rows of the table of routes: all of them the office's.
func (d Desk) Routes() []frame.Route {
	const (
		list  = 10 * time.Second
		write = 15 * time.Second
		sums  = 30 * time.Second
	)
	office := []domain.Role{domain.Staff, domain.Admin}
	return []frame.Route{
		{Method: "POST", Pattern: "/v1/inspection-draws", Operation: "drawInspections", Roles: office, Timeout: write, Shed: frame.ShedPushes, Handle: d.drawInspections},
		{Method: "GET", Pattern: "/v1/inspection-estimates", Operation: "estimateInspections", Roles: office, Timeout: sums, Shed: frame.ShedStatistics, Handle: d.inspectionEstimates},
		{Method: "GET", Pattern: "/v1/contractors/{id}/inspection-course", Operation: "inspectionCourseOfContractor", Roles: office, Timeout: sums, Shed: frame.ShedStatistics, Handle: d.inspectionCourse},
		{Method: "GET", Pattern: "/v1/triage", Operation: "getTriage", Roles: office, Timeout: list, Shed: frame.ShedLists, Handle: d.triage},
		{Method: "GET", Pattern: "/v1/call-back-rates", Operation: "getCallBackRates", Roles: office, Timeout: sums, Shed: frame.ShedStatistics, Handle: d.callBackRates},
		{Method: "GET", Pattern: "/v1/crews", Operation: "listLeads", Roles: office, Timeout: list, Shed: frame.ShedLists, Handle: d.leads},
		{Method: "GET", Pattern: "/v1/training-needs", Operation: "getTrainingNeeds", Roles: office, Timeout: sums, Shed: frame.ShedStatistics, Handle: d.needs},
		{Method: "GET", Pattern: "/v1/lessons", Operation: "listLessons", Roles: office, Timeout: sums, Shed: frame.ShedStatistics, Handle: d.lessons},
	}
}

// Operations are what the contract says of them.
func Operations() map[string]frame.Operation {
	all := inspectionsOperations()
	for _, of := range []map[string]frame.Operation{crewsOperations(), triageOperations(), callBacksOperations()} {
		maps.Copy(all, of)
	}
	return all
}

// periodHead says of which jobs, at which position and by which formulas an answer speaks.
type periodHead struct {
	// The first day.
	From domain.Date `json:"from"`
	// The day after the last.
	Before domain.Date `json:"before"`
	// When the position was recorded.
	AsOfAt string `json:"as_of_at"`
	// The place in the program's one order of accepted versions.
	Position      int64  `json:"position"`
	MethodVersion string `json:"method_version"`
}

func periodOf(r *frame.Request) (from, before domain.Date) {
	return domain.Date(r.Query.Get("from")), domain.Date(r.Query.Get("before"))
}

type periodPositionQuery struct {
	frame.PeriodQuery
	frame.PositionQuery
}
