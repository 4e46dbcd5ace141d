package api

import (
	"maps"
	"strings"

	"github.com/go-json-experiment/json/jsontext"

	"ductledger/api/calculations"
	"ductledger/api/frame"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/storage"
)

// What many queries have.
type (
	limitQuery struct {
		// At most so many items a page; more than 500 is taken as 500. A page may be shorter.
		Limit int `json:"limit,omitzero" validate:"omitempty,gte=1" default:"50"`
	}
	pageQuery struct {
		limitQuery
		// The `next` of the page before; opaque and bound to its filters.
		After string `json:"after,omitzero" validate:"omitempty,min=1,max=400"`
	}
	periodQuery struct {
		// The first day of the period.
		From domain.Date `json:"from"`
		// The day after the last of the period.
		Before domain.Date `json:"before"`
	}
	positionQuery struct {
		// Asks what stood at this position; the head without.
		Position int64 `json:"position,omitzero" validate:"omitempty,gte=0,lte=9007199254740991"`
	}
	figuresQuery struct {
		periodQuery
		positionQuery
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
		pageQuery
		voidQuery
	}
	jobListQuery struct {
		pageQuery
		jobQuery
		voidQuery
	}
	contractorListQuery struct {
		pageQuery
		contractorQuery
		voidQuery
	}
	jobsListQuery struct {
		pageQuery
		// Only jobs at this home.
		HomeID domain.UUID `json:"home_id,omitzero"`
		contractorQuery
		// Only jobs in this state.
		State domain.JobState `json:"state,omitzero"`
		voidQuery
	}
	devicesListQuery struct {
		pageQuery
		contractorQuery
		// Only devices in this state.
		State domain.DeviceState `json:"state,omitzero"`
		// Only devices that hold this job.
		JobID domain.UUID `json:"job_id,omitzero"`
		voidQuery
	}
)

// The queries of single operations.

type changesQuery struct {
	// `0`, or the last `next_after`. Roles that see the whole program may give a position.
	After string `json:"after,omitzero" validate:"omitempty,min=1,max=200" default:"0"`
	limitQuery
	// How long the answer may wait for news, in seconds. It may come earlier, and empty.
	WaitS int `json:"wait_s,omitzero" validate:"omitempty,gte=0,lte=25" default:"0"`
	// Only these kinds, separated by commas. It makes a cursor of its own.
	Kinds string `json:"kinds,omitzero" validate:"omitempty,max=400" pattern:"^[a-z_]+(,[a-z_]+)*$"`
	// Every version or the newest only; roles with a scope get the newest only.
	Versions string `json:"versions,omitzero" validate:"omitempty,oneof=all latest"`
	// The newest receipt that the device has.
	Receipt string `json:"receipt,omitzero" validate:"omitempty,min=1,max=200"`
}

type heldQuery struct {
	pageQuery
	jobQuery
	// Only items in this state.
	State string `json:"state,omitzero" validate:"omitempty,oneof=open waiting applied closed dismissed"`
}

type worklistQuery struct {
	// Only this sort.
	Sort string `json:"sort,omitzero" validate:"omitempty,min=1,max=40"`
	// A job sent in waits after so many days without a review; 7 without.
	SentInDays int `json:"sent_in_days,omitzero" validate:"omitempty,gte=0,lte=3650"`
	// A returned job waits after so many days; without, 7 for the office and 0 for contractor and crew.
	ReturnedDays int `json:"returned_days,omitzero" validate:"omitempty,gte=0,lte=3650"`
	// A device of a contractor with open jobs waits after so many days without a sign; 3 without.
	SilentDays int `json:"silent_days,omitzero" validate:"omitempty,gte=0,lte=3650"`
	// Papers and calibrations that end within so many days are `…_lapses_soon`; 30 without.
	LapseSoonDays int `json:"lapse_soon_days,omitzero" validate:"omitempty,gte=0,lte=3650"`
	// Those that end later but within so many days are `…_lapses`; 60 without.
	LapseDays int `json:"lapse_days,omitzero" validate:"omitempty,gte=0,lte=3650"`
	limitQuery
}

type performanceQuery struct {
	figuresQuery
	// What the groups are.
	By string `json:"by,omitzero" validate:"omitempty,oneof=contractor crew_lead home_class repair_type" default:"contractor"`
}

type statementQuery struct {
	// The form of the answer; it goes before Accept.
	Format string `json:"format,omitzero" validate:"omitempty,oneof=json csv"`
	// The month.
	Month domain.Month `json:"month"`
	pageQuery
}

type explanationQuery struct {
	figuresQuery
	// The form of the answer; it goes before Accept.
	Format string `json:"format,omitzero" validate:"omitempty,oneof=json csv"`
}

type previewQuery struct {
	periodQuery
	pageQuery
}

// operationDocs are the operations that belong to no kind alone.
func operationDocs() map[string]frame.Operation {
	docs := calculations.Operations()
	maps.Copy(docs, map[string]frame.Operation{
		"getSync": {
			Tag: "Sync", Summary: "What a device needs to start",
			Description: "Epoch, head, limits, and per job in the caller's scope the count and checksum of its newest entries. A device " +
				"whose own checksum differs drops its copy of that job and reads `/v1/jobs/{id}/entries`.",
			Gives: []frame.Gives{
				{Status: 200, What: "The start.", Body: wire.Start{}},
			},
			Also: []int{426},
		},
		"getChanges": {
			Tag: "Sync", Summary: "What is new for the caller",
			Description: "Every accepted version in one fixed order, cut to what the caller may see. Roles with a scope (field, " +
				"contractor, inspector) get each record once, in its newest version; the others get all versions unless they ask " +
				"for the latest. A job that leaves the scope comes as an item with `op` `drop`. Pull until `more` is false.",
			Query:   changesQuery{},
			Headers: []string{"If-None-Match"},
			Gives: []frame.Gives{
				{Status: 200, What: "A page of the feed. Its ETag is the cursor.", Body: wire.Feed{}, Headers: []string{"ETag"}, ByRole: map[domain.Role]any{domain.ContractorRole: wire.ContractorEntry{}}},
				{Status: 304, What: "The caller has the newest already."},
			},
			Also: []int{409, 426},
		},
		"postBatch": {
			Tag: "Sync", Summary: "Deliver many records, each judged alone",
			Description: "At most 500 items and 2 MiB after inflating, in any order; parents may follow children. One bad item never stops " +
				"another: each gets its own status. Only `retry` need be sent again; what is `conflict`, `waiting` or `rejected` " +
				"is kept in `/v1/held`. `Content-Encoding: gzip` is taken.",
			Query:   validateQuery{},
			Headers: []string{"Content-Encoding"},
			Takes:   wire.Batch{},
			Example: jsontext.Value(`{"sent_at": "2026-10-14T16:02:11-07:00", "client": {"name": "Invented field app", "version": "1.4", "schema": 1}, "items": [{"kind": "measurement", "id": "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d41", "base_version": 0, "record": {"job_id": "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d21", "method": "fan_total", "stage": "before", "instrument_id": "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d14", "taken_at": "2026-10-14T09:20:00-07:00", "readings": [{"pressure_pa": 25, "flow_cfm": 318}]}}, {"kind": "opening", "id": "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d33", "base_version": 1, "void": {"reason": "recorded twice"}}]}`),
			Gives: []frame.Gives{
				{Status: 207, What: "Each item's status and each touched job's findings in numbers.", Body: wire.BatchAnswer{}},
			},
			Also: []int{409, 507},
		},
		"listHeld": {
			Tag: "Held items", Summary: "List what was not accepted",
			Description: "Open and waiting items by default, with their original bytes. A crew sees its contractor's.",
			Query:       heldQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "A page of held items.", Body: heldList{}},
			},
		},
		"applyHeld": {
			Tag: "Held items", Summary: "Accept a held item as a new version",
			Description: "The version is attributed to the device that sent it, with `applied_by` beside it. Answers the new entry.",
			Query:       validateQuery{},
			Takes:       applyHeldBody{},
			Gives: []frame.Gives{
				{Status: 200, What: "A new version was stored or, with Idempotent-Replay, the same was there already.", Body: wire.Entry{}, Headers: []string{"ETag", "Idempotent-Replay"}, ByRole: map[domain.Role]any{domain.ContractorRole: wire.ContractorEntry{}}},
			},
			Also: []int{409, 412, 507},
		},
		"dismissHeld": {
			Tag: "Held items", Summary: "Dismiss a held item",
			Description: "Its bytes stay. Answers the held item.",
			Query:       validateQuery{},
			Takes:       nothing{}, Optional: true,
			Gives: []frame.Gives{
				{Status: 200, What: "The held item.", Body: heldAnswer{}},
			},
			Also: []int{409},
		},
		"entriesOfJob": {
			Tag: "Sync", Summary: "One job whole, newest versions, voided ones too",
			Gives: []frame.Gives{
				{Status: 200, What: "A page of entries.", Body: wire.List{}, ByRole: map[domain.Role]any{domain.ContractorRole: wire.ContractorEntry{}}},
			},
		},
		"findingsOfJob": {
			Tag: "Jobs judged", Summary: "What the rules found",
			Description: "In the order of what leaks most. A waived finding is counted, not listed. No finding does not mean that work or home " +
				"is without danger. Acceptance freezes the findings, and later work changes none of them: what was done after a " +
				"call-back is judged apart, in `call_backs`; `position` asks for the acceptance that stood at a position, also " +
				"after the job was opened again, and is 404 where none stood.",
			Query: positionQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The findings.", Body: findingsAnswer{}},
			},
		},
		"resultOfJob": {
			Tag: "Jobs judged", Summary: "The computed leakage",
			Description: "Frozen at acceptance; `position` asks for the acceptance that stood there.",
			Query:       positionQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The result.", Body: jobResult{}},
			},
		},
		"cutListOfJob": {
			Tag: "Jobs judged", Summary: "What to cut for a job and how much material it takes",
			Description: "From what the job's records know by now: sizes of trunks, ends to close, openings of the crew, loose parts, " +
				"crossovers to take down, joints to seal. What had to be assumed stands in `assumed`, what could not be listed in " +
				"`left_out`.",
			Gives: []frame.Gives{
				{Status: 200, What: "The list.", Body: jobCutList{}},
			},
		},
		"getWorklist": {
			Tag: "Jobs judged", Summary: "What waits for the caller, oldest first",
			Description: "The office sees the whole program; a contractor and its crews what waits for them; an inspector the jobs drawn " +
				"for inspection. The list is bounded by `limit` and has no further pages: what is done leaves it. `counts` tells " +
				"how much there is of each sort.",
			Query: worklistQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "What waits.", Body: worklistAnswer{}},
			},
		},
		"postEvaluation": {
			Tag: "Jobs judged", Summary: "Judge and compute a whole job without storing it",
			Description: "The rule set is the program's on `rules_on`; every other fact comes from the body: the records of one job, with " +
				"its home, contractor, crew, credentials and instruments.",
			Takes: evaluationBody{},
			Gives: []frame.Gives{
				{Status: 200, What: "Result and findings.", Body: evaluationAnswer{}},
			},
		},
		"getPerformance": {
			Tag: "Performance", Summary: "Contractors and program over a period",
			Description: "Counts the jobs first accepted in the period, as the month does. Contractor and funder get the program's figures " +
				"without names; crew leads are for staff only. With `position`, what stood then is asked again: the same request " +
				"at one position gives the same bytes for ever. Lists are alphabetical; there are no ranks.",
			Query: performanceQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The figures.", Body: performanceAnswer{}},
			},
		},
		"listPublications": {
			Tag: "Performance", Summary: "Published periods, the newest first",
			Query: pageQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The publications.", Body: publicationList{}},
			},
		},
		"publishPerformance": {
			Tag: "Performance", Summary: "Publish the figures of a period that has ended",
			Description: "Keeps the position, the method's version, the digests of what went in and came out, and the answer itself. Later " +
				"figures of the same period stand beside it as restated. Publishing again at one position gives the same " +
				"publication.",
			Takes:   publicationBody{},
			Example: jsontext.Value(`{"from": "2026-07-01", "before": "2026-10-01"}`),
			Gives: []frame.Gives{
				{Status: 200, What: "It was published before; nothing was changed now.", Body: publicationRef{}, Headers: []string{"Idempotent-Replay", "Location"}},
				{Status: 201, What: "It is published.", Body: publicationRef{}, Headers: []string{"Location"}},
			},
		},
		"getPublication": {
			Tag: "Performance", Summary: "What was published, and the same period restated",
			Query: positionQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "Both figures.", Body: publishedFigures{}},
			},
		},
		"statementOfContractor": {
			Tag: "Months", Summary: "What a contractor is paid for a month",
			Description: "Line by line, at the position of the month's released package, else of its newest verified one, else where the " +
				"package would be cut; `cut_by` says which. Lines counted as `new` and `late` are those of the package's " +
				"payments.csv, so the amounts of all contractors add up to it, to the cent. A `correction` takes back what stood " +
				"in the package before, or adds what stands now: all of them add up to corrections_net less voided of " +
				"reconciliation.csv. A job that is sent in and not accepted has its lines with what they would come to, " +
				"`not_accepted`, in no sum but `expected_cents`; `withheld_by` names each rule with an open finding. A contractor " +
				"reads its own. With `format=csv`, or `Accept: text/csv`, the lines come as one spreadsheet, all of them.",
			Query: statementQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The statement.", Body: statementAnswer{}, Media: "application/json text/csv"},
			},
			Also: []int{422},
		},
		"performanceOfContractor": {
			Tag: "Performance", Summary: "One contractor over a period, the program beside it",
			Description: "Reductions and index are of the jobs first accepted in the period, the picture is of those assigned in it. A " +
				"contractor reads its own.",
			Query: figuresQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The figures.", Body: contractorAnswer{}},
			},
		},
		"explainPerformance": {
			Tag: "Performance", Summary: "How a contractor's index came about",
			Description: "Every job in and out of the index by id, what was expected of each home, and the published numbers with which " +
				"anybody recomputes it. With `format=csv`, or `Accept: text/csv`, a spreadsheet that does so when it is opened. " +
				"It comes whole, since an index is recomputed from all of its jobs: it is as long as one contractor's jobs in the " +
				"period are many.",
			Query: explanationQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The explanation.", Body: explanationAnswer{}, Media: "application/json text/csv"},
			},
		},
		"getRepairEffects": {
			Tag: "Performance", Summary: "What each kind of repair brings",
			Description: "From readings right before and right after one kind of repair. Where a job has no such pair, its whole reduction " +
				"stands with each kind of repair in it, under names that say so.",
			Query: figuresQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The effects.", Body: repairEffectsAnswer{}},
			},
		},
		"listPackages": {
			Tag: "Months", Summary: "Packages of a month by revision",
			Description: "A funder sees the released ones.",
			Query:       pageQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The packages.", Body: packageList{}},
			},
		},
		"buildPackage": {
			Tag: "Months", Summary: "Ask for the package of a month",
			Description: "Cut at the last position recorded before the month ended, unless a later one is named; an unfinished month takes " +
				"the head and says so. Asking again at one position gives the same revision and the same bytes.\n\n" +
				"It is built in the background: 202 names the revision, whose `state` is `building` until its stored file was " +
				"read back and holds, and whose `build` says how far it is. A build that is cut off is taken up again, at the " +
				"same position. Of many who ask at once one build comes; a month has one at a time, so asking for another " +
				"position meanwhile is 409. A build that cannot succeed ends in `failed`, with the reason; asking again begins " +
				"anew. What stands already is 200.",
			Query: validateQuery{},
			Takes: buildPackageBody{}, Optional: true,
			Gives: []frame.Gives{
				{Status: 200, What: "The package; with Idempotent-Replay nothing was changed now.", Body: packageAnswer{}, Headers: []string{"Idempotent-Replay"}},
				{Status: 202, What: "The revision that is being built.", Body: packageAnswer{}, Headers: []string{"Location"}},
			},
			Also: []int{409, 507},
		},
		"getPackage": {
			Tag: "Months", Summary: "One package",
			Gives: []frame.Gives{
				{Status: 200, What: "The package.", Body: packageAnswer{}},
			},
		},
		"getPackageFile": {
			Tag: "Months", Summary: "The file of a package",
			Description: "A zip in BagIt form, which `ductledger verify` checks with nothing but the file. Ranges may be asked for. Every " +
				"download is noted.",
			Headers: []string{"If-None-Match", "Range"},
			Gives: []frame.Gives{
				{Status: 200, What: "The whole file.", Media: "application/zip", Headers: []string{"ETag", "Repr-Digest", "Content-Disposition"}},
				{Status: 206, What: "A part of the file.", Media: "application/zip", Headers: []string{"ETag", "Repr-Digest", "Content-Disposition"}},
				{Status: 304, What: "The caller has the newest already."},
			},
			Also: []int{416},
		},
		"releasePackage": {
			Tag: "Months", Summary: "Release a package to the funder",
			Description: "Who built it may not release it. An unfinished month cannot be released. A released file is never changed.",
			Query:       validateQuery{},
			Takes:       nothing{}, Optional: true,
			Gives: []frame.Gives{
				{Status: 200, What: "The package; with Idempotent-Replay nothing was changed now.", Body: packageAnswer{}, Headers: []string{"Idempotent-Replay"}},
			},
			Also: []int{409},
		},
		"previewRuleSet": {
			Tag: "Jobs judged", Summary: "What a rule set would have changed",
			Description: "Judges the jobs first accepted in the period twice over the records that counted at their acceptance: by the set " +
				"that they were accepted by and by this one. Nothing is stored. The first page has the totals of the period; " +
				"every page lists jobs whose findings would change, by id. A period that takes longer than the time limit is 504: " +
				"ask for a shorter one.",
			Query: previewQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The comparison.", Body: previewAnswer{}},
			},
		},
		"putResident": {
			Tag: "Homes and jobs", Summary: "Keep who lives in a home",
			Description: "Overwrites name, phone and street as a whole, and makes a new version of the home with the same `record` and the " +
				"next `resident_revision`, so that devices learn of it.",
			Query: validateQuery{},
			Takes: storage.Resident{},
			Gives: []frame.Gives{
				{Status: 200, What: "A new version was stored or, with Idempotent-Replay, the same was there already.", Body: wire.Entry{}, Headers: []string{"ETag", "Idempotent-Replay"}, ByRole: map[domain.Role]any{domain.ContractorRole: wire.ContractorEntry{}}},
			},
			Also: []int{507},
		},
		"eraseResident": {
			Tag: "Homes and jobs", Summary: "Erase who lives in a home",
			Description: "Name, phone and street are gone for good; the ledger, which never held them, still verifies. The home gets a new " +
				"version, so that devices delete their copy.",
			Query: validateQuery{},
			Takes: nothing{}, Optional: true,
			Gives: []frame.Gives{
				{Status: 200, What: "A new version was stored or, with Idempotent-Replay, the same was there already.", Body: wire.Entry{}, Headers: []string{"ETag", "Idempotent-Replay"}, ByRole: map[domain.Role]any{domain.ContractorRole: wire.ContractorEntry{}}},
			},
			Also: []int{507},
		},
		"getLivez": {
			Tag: "Service", Summary: "The process lives",
			Gives: []frame.Gives{
				{Status: 200, What: "It lives.", Body: health{}},
			},
		},
		"getReadyz": {
			Tag: "Service", Summary: "The service can do its work",
			Gives: []frame.Gives{
				{Status: 200, What: "It can.", Body: health{}},
			},
			Also: []int{503},
		},
		"getOpenapiYaml": {
			Tag: "Service", Summary: "This file",
			Gives: []frame.Gives{
				{Status: 200, What: "This file.", Media: "application/yaml"},
			},
		},
		"getOpenapiJson": {
			Tag: "Service", Summary: "This file as JSON",
			Gives: []frame.Gives{
				{Status: 200, What: "This file.", Media: "application/json"},
			},
		},
	})
	return docs
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
	domain.WaiverKind:     {Tag: "Judgment", List: jobListQuery{}},
	domain.InspectionKind: {Tag: "Judgment", List: jobListQuery{}},
}

// kindOperations are the five operations of a kind.
func kindOperations(row domain.KindRow) map[string]frame.Operation {
	doc, name, many := kindDocs[row.Kind], typeName(row.Kind), typeName(domain.Kind(strings.ReplaceAll(row.Plural, "-", "_")))
	one, all := inWords(string(row.Kind)), inWords(row.Plural)
	byRole := map[domain.Role]any{domain.ContractorRole: wire.ContractorEntry{}}
	entries := []frame.Gives{{Status: 200, What: "A page of entries.", Body: wire.List{}, ByRole: byRole}}
	kept := frame.Gives{Status: 200, What: "A new version was stored or, with Idempotent-Replay, the same was there already.", Body: wire.Entry{},
		Headers: []string{"ETag", "Idempotent-Replay"}, ByRole: byRole}
	changes := []int{409, 412, 428, 507}
	return map[string]frame.Operation{
		"list" + many: {Tag: doc.Tag, Summary: "List " + all + " by id", Query: doc.List, Gives: entries, Also: []int{404}},
		"put" + name: {Tag: doc.Tag, Summary: "Keep " + frame.Article(one), Description: doc.Put, Query: validateQuery{}, Headers: []string{"If-Match"},
			Takes: row.New(), Also: changes, Gives: []frame.Gives{kept,
				{Status: 201, What: "A new record was stored.", Body: wire.Entry{}, Headers: []string{"ETag", "Location"}, ByRole: byRole}}},
		"get" + name: {Tag: doc.Tag, Summary: "Read " + frame.Article(one), Headers: []string{"If-None-Match"}, Gives: []frame.Gives{
			{Status: 200, What: "The newest version.", Body: wire.Entry{}, Headers: []string{"ETag"}, ByRole: byRole},
			{Status: 304, What: "The caller has the newest already."}}},
		"versionsOf" + name: {Tag: doc.Tag, Summary: "History of " + frame.Article(one) + ", oldest first", Query: pageQuery{}, Gives: entries},
		"void" + name: {Tag: doc.Tag, Summary: "Void " + frame.Article(one), Query: validateQuery{}, Headers: []string{"If-Match"}, Takes: wire.Reason{},
			Gives: []frame.Gives{kept}, Also: changes},
	}
}

// inWords writes a kind as people say it.
func inWords(kind string) string {
	if strings.HasPrefix(kind, "call") {
		return strings.ReplaceAll(kind, "_", "-")
	}
	return strings.NewReplacer("_", " ", "-", " ").Replace(kind)
}
