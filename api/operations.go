package api

import (
	"maps"
	"strings"

	"ductledger/api/agency"
	"ductledger/api/calculations"
	"ductledger/api/frame"
	"ductledger/api/people"
	"ductledger/api/strict"
	"ductledger/api/wire"
	"ductledger/domain"
)

// What many queries have.
type (
	figuresQuery struct {
		frame.PeriodQuery
		frame.PositionQuery
		// Of which leakage the figures are; what the rule set in force on the last day asks for without. Jobs by which the
		// other was read are left out: the two are never added up.
		Quantity string `json:"quantity,omitzero" validate:"omitempty,oneof=total outside"`
	}
	validateQuery struct {
		// Runs the same transaction and rolls it back: the same answer, nothing stored and nothing held.
		ValidateOnly bool `json:"validate_only,omitzero" default:"false"`
	}
	jobQuery struct {
		// Only what belongs to this job.
		JobID domain.UUID `json:"job_id,omitzero"`
	}
	contractorQuery struct {
		// Only what is this contractor's.
		ContractorID domain.UUID `json:"contractor_id,omitzero"`
	}
	voidQuery struct {
		// Voided records come only with `include`.
		Void string `json:"void,omitzero" validate:"omitempty,oneof=include"`
	}
)

// The lists of kinds.
type (
	plainListQuery struct {
		frame.PageQuery
		voidQuery
	}
	jobListQuery struct {
		frame.PageQuery
		jobQuery
		voidQuery
	}
	contractorListQuery struct {
		frame.PageQuery
		contractorQuery
		voidQuery
	}
	jobsListQuery struct {
		frame.PageQuery
		// Only jobs at this home.
		HomeID domain.UUID `json:"home_id,omitzero"`
		contractorQuery
		// Only jobs in this state.
		State domain.JobState `json:"state,omitzero"`
		voidQuery
	}
	devicesListQuery struct {
		frame.PageQuery
		contractorQuery
		// Only devices in this state.
		State domain.DeviceState `json:"state,omitzero"`
		// Only devices that hold this job.
		JobID domain.UUID `json:"job_id,omitzero"`
		voidQuery
	}
)

// operationDocs is what the contract says of each operation, by its name.
func operationDocs() map[string]frame.Operation {
	all := calculations.Operations()
	maps.Copy(all, people.Operations())
	maps.Copy(all, agency.Operations())
	for _, of := range []map[string]frame.Operation{
		changesOperations(), pushOperations(), heldOperations(), jobsOperations(), worklistOperations(), performanceOperations(),
		performancePublicationOperations(), statementOperations(), performanceContractorOperations(), repeatabilityOperations(), monthsOperations(),
		monthsFileOperations(), previewOperations(), residentsOperations(), textsOperations(), photosOperations(), searchOperations(), healthOperations(), programOperations(),
	} {
		maps.Copy(all, of)
	}
	for _, row := range domain.Kinds {
		maps.Copy(all, kindOperations(row))
	}
	return all
}

// kindDocs is what is told of a kind's own operations.
var kindDocs = map[domain.Kind]struct {
	Tag  string
	Put  string // beside its summary
	List any    // the query of its list
}{
	domain.RuleSetKind: {Tag: "Program", List: plainListQuery{},
		Put: "Immutable once in force; it begins on a later day than it is recorded, a program's first excepted."},
	domain.ContractorKind:    {Tag: "Program", List: plainListQuery{}},
	domain.CrewMemberKind:    {Tag: "Program", List: contractorListQuery{}},
	domain.CredentialKind:    {Tag: "Program", List: contractorListQuery{}, Put: "The holder is a crew member or a contractor, never both."},
	domain.TrainingEventKind: {Tag: "Program", List: plainListQuery{}},
	domain.InstrumentKind:    {Tag: "Program", List: contractorListQuery{}},
	domain.DeviceKind:        {Tag: "Program", List: devicesListQuery{}, Put: "Active, closing and revoked follow each other; there is no way back."},
	domain.HomeKind: {Tag: "Homes and jobs", List: plainListQuery{},
		Put: "A crew writes the facts of a home of its own jobs, and a home for a job that it starts. The resident has an address of its own."},
	domain.JobKind: {Tag: "Homes and jobs", List: jobsListQuery{},
		Put: "A move of `state` must be one that the caller may make: staff to `assigned`; a crew `assigned` → `in_work` → `sent_in` with an " +
			"outcome, and `returned` → `in_work` or `sent_in`. All other moves are reviews."},
	domain.ApplicationKind: {Tag: "Homes and jobs", List: plainListQuery{},
		Put: "A home waits from its application on, until a job is made for it; a job that is voided gives it back its place. The office alone reads it."},
	domain.AppointmentKind:     {Tag: "Homes and jobs", List: jobListQuery{}},
	domain.VisitKind:           {Tag: "Homes and jobs", List: jobListQuery{}},
	domain.CallBackKind:        {Tag: "Homes and jobs", List: jobListQuery{}},
	domain.ComponentKind:       {Tag: "Ducts", List: jobListQuery{}},
	domain.CrossoverKind:       {Tag: "Ducts", List: jobListQuery{}},
	domain.OpeningKind:         {Tag: "Ducts", List: jobListQuery{}},
	domain.RepairKind:          {Tag: "Ducts", List: jobListQuery{}},
	domain.EnergyIsolationKind: {Tag: "Ducts", List: jobListQuery{}},
	domain.MeasurementKind: {Tag: "Readings and photos", List: jobListQuery{},
		Put: "Never changed: a correction is a new measurement that names the old one in `replaces` and says why."},
	domain.PhotoKind: {Tag: "Readings and photos", List: jobListQuery{},
		Put: "Never changed: a correction is a new photo that names the old one in `replaces` and says why."},
	domain.ReviewKind: {Tag: "Judgment", List: jobListQuery{},
		Put: "The job's new version is written in the same transaction. Field and contractor may only `reply`."},
	domain.WaiverKind:         {Tag: "Judgment", List: jobListQuery{}},
	domain.InspectionKind:     {Tag: "Judgment", List: jobListQuery{}},
	domain.InspectionDrawKind: {Tag: "Judgment", List: plainListQuery{}},
}

// What is told of the five operations of every kind.
const (
	listDoc = "In the order of their ids, which tells nothing of time; what is new is told by `/v1/changes`. Only what the caller may see is listed."
	putDoc  = "Whoever makes a record makes its id. A new one is sent without `If-Match`; a change names the version that it was made on, and another " +
		"one that stands is 412. The record is replaced as a whole. Sent again it changes nothing and is answered with `Idempotent-Replay`."
	getDoc      = "What the service knows of it stands beside `record`, which is what was sent. A voided record is given too."
	versionsDoc = "Every accepted version, with who sent it and when. Nothing is ever overwritten."
	voidDoc     = "It no longer counts. Its body and its history stay, and so do the records that name it. A later version with content revives it. " +
		"`If-Match` names the version that is voided."
)

// kindOperations are the five operations of a kind.
func kindOperations(row domain.KindRow) map[string]frame.Operation {
	doc, name, many := kindDocs[row.Kind], typeName(row.Kind), typeName(domain.Kind(strings.ReplaceAll(row.Plural, "-", "_")))
	one, all := inWords(string(row.Kind)), inWords(row.Plural)
	entries := []frame.Gives{{Status: 200, What: "A page of entries.", Body: wire.List{}, Of: row.Kind}}
	kept := frame.Gives{Status: 200, What: "A new version was stored or, with Idempotent-Replay, the same was there already.", Body: wire.Entry{},
		Headers: []string{"ETag", "Idempotent-Replay"}, Of: row.Kind}
	changes := []int{409, 412, 428, 507}
	operations := map[string]frame.Operation{
		"list" + many: {Tag: doc.Tag, Summary: "List " + all + " by id", Description: listDoc, Query: doc.List, Gives: entries, Also: []int{404}},
		"put" + name: {Tag: doc.Tag, Summary: "Keep " + strict.Article(one), Description: strings.TrimSpace(putDoc + "\n\n" + doc.Put), Query: validateQuery{}, Headers: []string{"If-Match"},
			Takes: row.New(), Also: changes, Gives: []frame.Gives{kept,
				{Status: 201, What: "A new record was stored.", Body: wire.Entry{}, Headers: []string{"ETag", "Location"}, Of: row.Kind}}},
		"get" + name: {Tag: doc.Tag, Summary: "Read " + strict.Article(one), Description: getDoc, Headers: []string{"If-None-Match"}, Gives: []frame.Gives{
			{Status: 200, What: "The newest version.", Body: wire.Entry{}, Headers: []string{"ETag"}, Of: row.Kind},
			{Status: 304, What: "The caller has the newest already."}}},
		"versionsOf" + name: {Tag: doc.Tag, Summary: "History of " + strict.Article(one) + ", oldest first", Description: versionsDoc, Query: frame.PageQuery{}, Gives: entries},
		"void" + name: {Tag: doc.Tag, Summary: "Void " + strict.Article(one), Description: voidDoc, Query: validateQuery{}, Headers: []string{"If-Match"}, Takes: wire.Reason{},
			Gives: []frame.Gives{kept}, Also: changes},
	}
	if len(row.Writers) == 0 {
		delete(operations, "put"+name)
		delete(operations, "void"+name)
	}
	return operations
}

// inWords writes a kind as people say it.
func inWords(kind string) string {
	if strings.HasPrefix(kind, "call") {
		return strings.ReplaceAll(kind, "_", "-")
	}
	return strings.NewReplacer("_", " ", "-", " ").Replace(kind)
}
