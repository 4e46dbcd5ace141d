package api

import (
	"strings"
	"time"

	"ductledger/api/agency"
	"ductledger/api/calculations"
	"ductledger/api/frame"
	"ductledger/api/people"
	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
)

// Who may read, from many to few.
var (
	everyone    = []domain.Role{domain.Field, domain.ContractorRole, domain.Inspector, domain.Staff, domain.Funder, domain.Admin}
	workers     = []domain.Role{domain.Field, domain.ContractorRole, domain.Inspector, domain.Staff, domain.Admin}
	noFirm      = []domain.Role{domain.Field, domain.Inspector, domain.Staff, domain.Admin}
	crewOrStaff = []domain.Role{domain.Field, domain.Staff, domain.Admin}
	senders     = noFirm
	office      = []domain.Role{domain.Staff, domain.Admin}
	inspecting  = []domain.Role{domain.Inspector, domain.Staff, domain.Admin}
	reporting   = []domain.Role{domain.Staff, domain.Funder, domain.Admin}
	figures     = []domain.Role{domain.ContractorRole, domain.Staff, domain.Funder, domain.Admin}
	firmFigures = []domain.Role{domain.ContractorRole, domain.Staff, domain.Admin}
)

// routes is the table of all addresses. The router, the permissions, the time
// limits and the order of shedding come from it; a test holds it equal to
// openapi.yaml.
func (s *Server) routes() []frame.Route {
	const (
		look  = 5 * time.Second
		list  = 10 * time.Second
		write = 15 * time.Second
		sums  = 30 * time.Second
		pull  = 35 * time.Second
		push  = 120 * time.Second
	)
	table := []frame.Route{
		{Method: "GET", Pattern: "/livez", Operation: "getLivez", Public: true, Timeout: 2 * time.Second, Shed: frame.ShedPushes, Alone: true, Handle: s.livez},
		{Method: "GET", Pattern: "/readyz", Operation: "getReadyz", Public: true, Timeout: 3 * time.Second, Shed: frame.ShedPushes, Alone: true, Handle: s.readyz},
		{Method: "GET", Pattern: "/openapi.yaml", Operation: "getOpenapiYaml", Public: true, Timeout: look, Shed: frame.ShedPages, Handle: s.openapiYAML},
		{Method: "GET", Pattern: "/openapi.json", Operation: "getOpenapiJson", Public: true, Timeout: look, Shed: frame.ShedPages, Handle: s.openapiJSON},

		{Method: "POST", Pattern: "/v1/batches", Operation: "postBatch", Roles: workers, Timeout: push, Shed: frame.ShedPushes, Gzip: true, Handle: s.push},
		{Method: "GET", Pattern: "/v1/sync", Operation: "getSync", Roles: everyone, Timeout: list, Shed: frame.ShedLists, Handle: s.sync},
		{Method: "GET", Pattern: "/v1/changes", Operation: "getChanges", Roles: workers, Timeout: pull, Shed: frame.ShedLists, Handle: s.changes},
		{Method: "GET", Pattern: "/v1/held", Operation: "listHeld", Roles: crewOrStaff, Timeout: list, Shed: frame.ShedLists, Handle: s.listHeld},
		{Method: "POST", Pattern: "/v1/held/{id}/apply", Operation: "applyHeld", Roles: office, Timeout: write, Shed: frame.ShedPushes, Handle: s.applyHeld},
		{Method: "POST", Pattern: "/v1/held/{id}/dismiss", Operation: "dismissHeld", Roles: office, Timeout: write, Shed: frame.ShedPushes, Handle: s.dismissHeld},

		{Method: "GET", Pattern: "/v1/jobs/{id}/entries", Operation: "entriesOfJob", Roles: workers, Timeout: list, Shed: frame.ShedLists, Handle: s.jobEntries},
		{Method: "GET", Pattern: "/v1/jobs/{id}/findings", Operation: "findingsOfJob", Roles: workers, Timeout: look, Shed: frame.ShedLists, Handle: s.findings},
		{Method: "GET", Pattern: "/v1/jobs/{id}/result", Operation: "resultOfJob", Roles: workers, Timeout: look, Shed: frame.ShedLists, Handle: s.result},
		{Method: "GET", Pattern: "/v1/jobs/{id}/cut-list", Operation: "cutListOfJob", Roles: workers, Timeout: look, Shed: frame.ShedLists, Handle: s.jobCutList},
		{Method: "GET", Pattern: "/v1/jobs/{id}/file", Operation: "fileOfJob", Roles: office, Timeout: sums, Shed: frame.ShedPackages, Handle: s.jobFile},
		{Method: "GET", Pattern: "/v1/program", Operation: "getProgram", Roles: office, Timeout: look, Shed: frame.ShedLists, Handle: s.program},
		{Method: "GET", Pattern: "/v1/worklist", Operation: "getWorklist", Roles: workers, Timeout: list, Shed: frame.ShedLists, Handle: s.worklist},
		{Method: "POST", Pattern: "/v1/search", Operation: "search", Roles: office, Timeout: list, Shed: frame.ShedLists, Handle: s.search},
		{Method: "GET", Pattern: "/v1/rule-sets/{id}/preview", Operation: "previewRuleSet", Roles: office, Timeout: sums, Shed: frame.ShedStatistics, Handle: s.preview},
		{Method: "POST", Pattern: "/v1/evaluations", Operation: "postEvaluation", Roles: workers, Timeout: write, Shed: frame.ShedLists, Handle: s.evaluate},

		{Method: "HEAD", Pattern: "/v1/photos/{id}/bytes", Operation: "headPicture", Roles: senders, Timeout: look, Shed: frame.ShedLists, Handle: s.uploadState},
		{Method: "PUT", Pattern: "/v1/photos/{id}/bytes", Operation: "putPicture", Roles: senders, Timeout: push, Shed: frame.ShedLists, Streams: true, BodyLimit: mostPicture,
			ContentTypes: []string{"image/jpeg", "image/png", "image/heic"}, Handle: s.putPicture},
		{Method: "PATCH", Pattern: "/v1/photos/{id}/bytes", Operation: "patchPicture", Roles: senders, Timeout: push, Shed: frame.ShedLists, Streams: true, BodyLimit: 1 << 20,
			ContentTypes: []string{partialUpload}, Handle: s.patchPicture},
		{Method: "GET", Pattern: "/v1/photos/{id}/bytes", Operation: "getPicture", Roles: noFirm, Timeout: list, Shed: frame.ShedLists, Handle: s.getPicture},
		{Method: "GET", Pattern: "/v1/photos/{id}/thumbnail", Operation: "getThumbnail", Roles: noFirm, Timeout: list, Shed: frame.ShedLists, Handle: s.getThumbnail},
		{Method: "POST", Pattern: "/v1/photos/{id}/bytes/erase", Operation: "erasePicture", Roles: office, Timeout: write, Shed: frame.ShedPushes, Handle: s.erasePicture},

		{Method: "PUT", Pattern: "/v1/homes/{id}/resident", Operation: "putResident", Roles: office, Timeout: write, Shed: frame.ShedPushes, Handle: s.putResident},
		{Method: "POST", Pattern: "/v1/homes/{id}/resident/erase", Operation: "eraseResident", Roles: office, Timeout: write, Shed: frame.ShedPushes, Handle: s.eraseResident},
		{Method: "GET", Pattern: "/v1/homes/{id}/texts", Operation: "textsOfHome", Roles: office, Timeout: list, Shed: frame.ShedLists, Handle: s.homeTexts},
		{Method: "POST", Pattern: "/v1/homes/{id}/texts/erase", Operation: "eraseTexts", Roles: office, Timeout: write, Shed: frame.ShedPushes, Handle: s.eraseTexts},

		{Method: "GET", Pattern: "/v1/performance", Operation: "getPerformance", Roles: figures, Timeout: sums, Shed: frame.ShedStatistics, Handle: s.performance},
		{Method: "GET", Pattern: "/v1/contractors/{id}/performance", Operation: "performanceOfContractor", Roles: firmFigures, Timeout: sums, Shed: frame.ShedStatistics, Handle: s.contractorPerformance},
		{Method: "GET", Pattern: "/v1/contractors/{id}/performance/explanation", Operation: "explainPerformance", Roles: firmFigures, Timeout: sums, Shed: frame.ShedStatistics, Handle: s.explainPerformance},
		{Method: "GET", Pattern: "/v1/contractors/{id}/statement", Operation: "statementOfContractor", Roles: firmFigures, Timeout: sums, Shed: frame.ShedStatistics, Handle: s.statement},
		{Method: "GET", Pattern: "/v1/repair-effects", Operation: "getRepairEffects", Roles: figures, Timeout: sums, Shed: frame.ShedStatistics, Handle: s.repairEffects},
		{Method: "GET", Pattern: "/v1/repeatability", Operation: "getRepeatability", Roles: office, Timeout: sums, Shed: frame.ShedStatistics, Handle: s.repeatability},
		{Method: "GET", Pattern: "/v1/performance/publications", Operation: "listPublications", Roles: office, Timeout: list, Shed: frame.ShedLists, Handle: s.listPublications},
		{Method: "POST", Pattern: "/v1/performance/publications", Operation: "publishPerformance", Roles: office, Timeout: sums, Shed: frame.ShedStatistics, Handle: s.publish},
		{Method: "GET", Pattern: "/v1/performance/publications/{id}", Operation: "getPublication", Roles: office, Timeout: sums, Shed: frame.ShedStatistics, Handle: s.publication},

		{Method: "GET", Pattern: "/v1/months", Operation: "listMonths", Roles: reporting, Timeout: list, Shed: frame.ShedLists, Handle: s.listMonths},
		{Method: "GET", Pattern: "/v1/months/{month}/packages", Operation: "listPackages", Roles: reporting, Timeout: list, Shed: frame.ShedLists, Handle: s.listPackages},
		{Method: "POST", Pattern: "/v1/months/{month}/packages", Operation: "buildPackage", Roles: office, Timeout: write, Shed: frame.ShedPackages, Handle: s.buildPackage},
		{Method: "GET", Pattern: "/v1/months/{month}/packages/{revision}", Operation: "getPackage", Roles: reporting, Timeout: look, Shed: frame.ShedLists, Handle: s.getPackage},
		{Method: "GET", Pattern: "/v1/months/{month}/packages/{revision}/file", Operation: "getPackageFile", Roles: reporting, Timeout: push, Shed: frame.ShedPackages, Handle: s.getPackageFile},
		{Method: "POST", Pattern: "/v1/months/{month}/packages/{revision}/release", Operation: "releasePackage", Roles: []domain.Role{domain.Admin}, Timeout: 60 * time.Second, Shed: frame.ShedPackages, Handle: s.releasePackage},
	}
	table = append(table, people.Desk{DB: s.db}.Routes()...)
	table = append(table, agency.Desk{DB: s.db, Entry: func(caller domain.Caller, e *domain.Entry) jsontext.Value { return s.entryJSON(caller, e, beside{}) }}.Routes()...)
	table = append(table, calculations.Routes(frame.Route{Roles: everyone, Timeout: look, Shed: frame.ShedLists})...)
	table = append(table, s.docs.Routes()...)
	for _, row := range domain.Kinds {
		name, many := typeName(row.Kind), typeName(domain.Kind(strings.ReplaceAll(row.Plural, "-", "_")))
		all, one := "/v1/"+row.Plural, "/v1/"+row.Plural+"/{id}"
		k := kindHandlers{s, row, name}
		table = append(table,
			frame.Route{Method: "GET", Pattern: all, Operation: "list" + many, Roles: row.Readers, Timeout: list, Shed: frame.ShedLists, Handle: k.list},
			frame.Route{Method: "GET", Pattern: one, Operation: "get" + name, Roles: row.Readers, Timeout: look, Shed: frame.ShedLists, Handle: k.get},
			frame.Route{Method: "GET", Pattern: one + "/versions", Operation: "versionsOf" + name, Roles: row.Readers, Timeout: list, Shed: frame.ShedLists, Handle: k.versions},
		)
		if len(row.Writers) > 0 {
			table = append(table,
				frame.Route{Method: "PUT", Pattern: one, Operation: "put" + name, Roles: row.Writers, Timeout: write, Shed: frame.ShedPushes, Handle: k.put},
				frame.Route{Method: "POST", Pattern: one + "/void", Operation: "void" + name, Roles: row.Writers, Timeout: write, Shed: frame.ShedPushes, Handle: k.void},
			)
		}
	}
	return table
}

// typeName is a kind's name in the contract: energy_isolation is EnergyIsolation.
func typeName(kind domain.Kind) string {
	var b strings.Builder
	for part := range strings.SplitSeq(string(kind), "_") {
		b.WriteString(strings.ToUpper(part[:1]) + part[1:])
	}
	return b.String()
}
