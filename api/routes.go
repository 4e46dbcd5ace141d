package api

import (
	"strings"
	"time"

	"ductledger/domain"
)

// Who may read, from many to few.
var (
	everyone    = []domain.Role{domain.Field, domain.ContractorRole, domain.Inspector, domain.Staff, domain.Funder, domain.Admin}
	workers     = []domain.Role{domain.Field, domain.ContractorRole, domain.Inspector, domain.Staff, domain.Admin}
	noInspector = []domain.Role{domain.Field, domain.ContractorRole, domain.Staff, domain.Admin}
	noFirm      = []domain.Role{domain.Field, domain.Inspector, domain.Staff, domain.Admin}
	crewOrStaff = []domain.Role{domain.Field, domain.Staff, domain.Admin}
	office      = []domain.Role{domain.Staff, domain.Admin}
	reporting   = []domain.Role{domain.Staff, domain.Funder, domain.Admin}
	figures     = []domain.Role{domain.ContractorRole, domain.Staff, domain.Funder, domain.Admin}
	firmFigures = []domain.Role{domain.ContractorRole, domain.Staff, domain.Admin}
)

// readers are who may read records of a kind; what of them a caller sees is
// storage's to say.
func readers(kind domain.Kind) []domain.Role {
	switch kind {
	case domain.CrewMemberKind, domain.CredentialKind, domain.DeviceKind:
		return noInspector
	case domain.TrainingEventKind:
		return office
	case domain.PhotoKind:
		return noFirm
	}
	return workers
}

// routes is the table of all addresses. The router, the permissions, the time
// limits and the order of shedding come from it; a test holds it equal to
// openapi.yaml.
func (s *Server) routes() []route {
	const (
		look  = 5 * time.Second
		list  = 10 * time.Second
		write = 15 * time.Second
		sums  = 30 * time.Second
		pull  = 35 * time.Second
		push  = 120 * time.Second
	)
	table := []route{
		{Method: "GET", Pattern: "/livez", Operation: "getLivez", Public: true, Timeout: 2 * time.Second, Shed: shedPushes, Alone: true, Handle: s.livez},
		{Method: "GET", Pattern: "/readyz", Operation: "getReadyz", Public: true, Timeout: 3 * time.Second, Shed: shedPushes, Alone: true, Handle: s.readyz},
		{Method: "GET", Pattern: "/openapi.yaml", Operation: "getOpenapiYaml", Public: true, Timeout: look, Shed: shedPages, Handle: s.openapiYAML},
		{Method: "GET", Pattern: "/openapi.json", Operation: "getOpenapiJson", Public: true, Timeout: look, Shed: shedPages, Handle: s.openapiJSON},

		{Method: "POST", Pattern: "/v1/batches", Operation: "postBatch", Roles: workers, Timeout: push, Shed: shedPushes, Gzip: true, Handle: s.push},
		{Method: "GET", Pattern: "/v1/sync", Operation: "getSync", Roles: everyone, Timeout: list, Shed: shedLists, Handle: s.sync},
		{Method: "GET", Pattern: "/v1/changes", Operation: "getChanges", Roles: workers, Timeout: pull, Shed: shedLists, Handle: s.changes},
		{Method: "GET", Pattern: "/v1/held", Operation: "listHeld", Roles: crewOrStaff, Timeout: list, Shed: shedLists, Handle: s.listHeld},
		{Method: "POST", Pattern: "/v1/held/{id}/apply", Operation: "applyHeld", Roles: office, Timeout: write, Shed: shedPushes, Handle: s.applyHeld},
		{Method: "POST", Pattern: "/v1/held/{id}/dismiss", Operation: "dismissHeld", Roles: office, Timeout: write, Shed: shedPushes, Handle: s.dismissHeld},

		{Method: "GET", Pattern: "/v1/jobs/{id}/entries", Operation: "entriesOfJob", Roles: workers, Timeout: list, Shed: shedLists, Handle: s.jobEntries},
		{Method: "GET", Pattern: "/v1/jobs/{id}/findings", Operation: "findingsOfJob", Roles: workers, Timeout: look, Shed: shedLists, Handle: s.findings},
		{Method: "GET", Pattern: "/v1/jobs/{id}/result", Operation: "resultOfJob", Roles: workers, Timeout: look, Shed: shedLists, Handle: s.result},
		{Method: "GET", Pattern: "/v1/jobs/{id}/cut-list", Operation: "cutListOfJob", Roles: workers, Timeout: look, Shed: shedLists, Handle: s.jobCutList},
		{Method: "GET", Pattern: "/v1/worklist", Operation: "getWorklist", Roles: workers, Timeout: list, Shed: shedLists, Handle: s.worklist},
		{Method: "GET", Pattern: "/v1/rule-sets/{id}/preview", Operation: "previewRuleSet", Roles: office, Timeout: sums, Shed: shedStatistics, Handle: s.preview},
		{Method: "POST", Pattern: "/v1/evaluations", Operation: "postEvaluation", Roles: workers, Timeout: write, Shed: shedLists, Handle: s.evaluate},
		{Method: "POST", Pattern: "/v1/calculations/fan-test", Operation: "calculateFanTest", Roles: everyone, Timeout: look, Shed: shedLists, Handle: s.fanTest},
		{Method: "POST", Pattern: "/v1/calculations/subtraction", Operation: "calculateSubtraction", Roles: everyone, Timeout: look, Shed: shedLists, Handle: s.subtraction},
		{Method: "POST", Pattern: "/v1/calculations/pan", Operation: "calculatePan", Roles: everyone, Timeout: look, Shed: shedLists, Handle: s.pan},
		{Method: "POST", Pattern: "/v1/calculations/reduction", Operation: "calculateReduction", Roles: everyone, Timeout: look, Shed: shedLists, Handle: s.reduction},
		{Method: "POST", Pattern: "/v1/calculations/repair-steps", Operation: "calculateRepairSteps", Roles: everyone, Timeout: look, Shed: shedLists, Handle: s.repairSteps},
		{Method: "POST", Pattern: "/v1/calculations/limit", Operation: "calculateLimit", Roles: everyone, Timeout: look, Shed: shedLists, Handle: s.limit},
		{Method: "POST", Pattern: "/v1/calculations/delivery", Operation: "calculateDelivery", Roles: everyone, Timeout: look, Shed: shedLists, Handle: s.delivery},
		{Method: "POST", Pattern: "/v1/calculations/cut-list", Operation: "calculateCutList", Roles: everyone, Timeout: look, Shed: shedLists, Handle: s.cutList},

		{Method: "PUT", Pattern: "/v1/homes/{id}/resident", Operation: "putResident", Roles: office, Timeout: write, Shed: shedPushes, Handle: s.putResident},
		{Method: "POST", Pattern: "/v1/homes/{id}/resident/erase", Operation: "eraseResident", Roles: office, Timeout: write, Shed: shedPushes, Handle: s.eraseResident},

		{Method: "GET", Pattern: "/v1/performance", Operation: "getPerformance", Roles: figures, Timeout: sums, Shed: shedStatistics, Handle: s.performance},
		{Method: "GET", Pattern: "/v1/contractors/{id}/performance", Operation: "performanceOfContractor", Roles: firmFigures, Timeout: sums, Shed: shedStatistics, Handle: s.contractorPerformance},
		{Method: "GET", Pattern: "/v1/contractors/{id}/performance/explanation", Operation: "explainPerformance", Roles: firmFigures, Timeout: sums, Shed: shedStatistics, Handle: s.explainPerformance},
		{Method: "GET", Pattern: "/v1/contractors/{id}/statement", Operation: "statementOfContractor", Roles: firmFigures, Timeout: sums, Shed: shedStatistics, Handle: s.statement},
		{Method: "GET", Pattern: "/v1/repair-effects", Operation: "getRepairEffects", Roles: figures, Timeout: sums, Shed: shedStatistics, Handle: s.repairEffects},
		{Method: "GET", Pattern: "/v1/performance/publications", Operation: "listPublications", Roles: office, Timeout: list, Shed: shedLists, Handle: s.listPublications},
		{Method: "POST", Pattern: "/v1/performance/publications", Operation: "publishPerformance", Roles: office, Timeout: sums, Shed: shedStatistics, Handle: s.publish},
		{Method: "GET", Pattern: "/v1/performance/publications/{id}", Operation: "getPublication", Roles: office, Timeout: sums, Shed: shedStatistics, Handle: s.publication},

		{Method: "GET", Pattern: "/v1/months/{month}/packages", Operation: "listPackages", Roles: reporting, Timeout: list, Shed: shedLists, Handle: s.listPackages},
		{Method: "POST", Pattern: "/v1/months/{month}/packages", Operation: "buildPackage", Roles: office, Timeout: write, Shed: shedPackages, Handle: s.buildPackage},
		{Method: "GET", Pattern: "/v1/months/{month}/packages/{revision}", Operation: "getPackage", Roles: reporting, Timeout: look, Shed: shedLists, Handle: s.getPackage},
		{Method: "GET", Pattern: "/v1/months/{month}/packages/{revision}/file", Operation: "getPackageFile", Roles: reporting, Timeout: push, Shed: shedPackages, Handle: s.getPackageFile},
		{Method: "POST", Pattern: "/v1/months/{month}/packages/{revision}/release", Operation: "releasePackage", Roles: []domain.Role{domain.Admin}, Timeout: 60 * time.Second, Shed: shedPackages, Handle: s.releasePackage},
	}
	table = append(table, s.docsRoutes()...)
	for _, row := range domain.Kinds {
		name, many := typeName(row.Kind), typeName(domain.Kind(strings.ReplaceAll(row.Plural, "-", "_")))
		all, one := "/v1/"+row.Plural, "/v1/"+row.Plural+"/{id}"
		k := kindHandlers{s, row, name}
		table = append(table,
			route{Method: "GET", Pattern: all, Operation: "list" + many, Roles: readers(row.Kind), Timeout: list, Shed: shedLists, Handle: k.list},
			route{Method: "PUT", Pattern: one, Operation: "put" + name, Roles: row.Writers, Timeout: write, Shed: shedPushes, Handle: k.put},
			route{Method: "GET", Pattern: one, Operation: "get" + name, Roles: readers(row.Kind), Timeout: look, Shed: shedLists, Handle: k.get},
			route{Method: "GET", Pattern: one + "/versions", Operation: "versionsOf" + name, Roles: readers(row.Kind), Timeout: list, Shed: shedLists, Handle: k.versions},
			route{Method: "POST", Pattern: one + "/void", Operation: "void" + name, Roles: row.Writers, Timeout: write, Shed: shedPushes, Handle: k.void},
		)
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
