package worklist

import (
	"fmt"

	"ductledger/domain"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
)

// Each record that the page names, once: who holds a paper stands beside it.
const namesSQL = `
SELECT k.kind, k.id, e.body, m.body AS holder
FROM unnest(@kinds::text[], @ids::uuid[]) AS k(kind, id)
CROSS JOIN LATERAL (SELECT x.body FROM entry AS x
    WHERE x.program_id = @program_id AND x.kind = k.kind AND x.record_id = k.id AND x.until_position IS NULL OFFSET 0) AS e
LEFT JOIN LATERAL (SELECT x.body FROM entry AS x
    WHERE x.program_id = @program_id AND x.kind = 'crew_member' AND x.record_id = (e.body::jsonb ->> 'crew_member_id')::uuid
        AND x.until_position IS NULL OFFSET 0) AS m ON k.kind = 'credential'`

const jobNamesSQL = `
SELECT j.id, j.number, CASE WHEN @contacts::boolean THEN r.street END AS street
FROM unnest(@jobs::uuid[]) AS k(id)
CROSS JOIN LATERAL (SELECT x.id, x.number, x.home_id FROM job AS x WHERE x.program_id = @program_id AND x.id = k.id OFFSET 0) AS j
LEFT JOIN LATERAL (SELECT x.street FROM resident AS x WHERE x.program_id = @program_id AND x.home_id = j.home_id OFFSET 0) AS r ON true`

type nameRow struct {
	Kind   string
	ID     [16]byte
	Body   string
	Holder *string
}

type jobNameRow struct {
	ID     [16]byte
	Number int64
	Street *string
}

// name puts names beside what waits: jobs by number and street, papers by who
// holds them, instruments by their serial, devices and contractors by theirs.
func (l *List) name(t *storage.Tx, caller domain.Caller) error {
	asked := map[domain.Subject]bool{}
	var kinds []string
	var ids, jobs []domain.UUID
	ask := func(kind string, id domain.UUID) {
		s := domain.Subject{Kind: domain.Kind(kind), ID: id}
		if id.IsZero() || asked[s] {
			return
		}
		asked[s] = true
		kinds, ids = append(kinds, kind), append(ids, id)
	}
	for i := range l.Items {
		w := &l.Items[i]
		ask("contractor", w.ContractorID)
		switch w.SubjectKind {
		case "credential", "instrument", "device":
			ask(w.SubjectKind, w.SubjectID)
		}
		if !w.JobID.IsZero() {
			jobs = append(jobs, w.JobID)
		}
	}
	var names []nameRow
	var numbers []jobNameRow
	office := caller.Role == domain.Staff || caller.Role == domain.Admin
	storage.All(t, &names, namesSQL, storage.Args{"program_id": t.Program, "kinds": kinds, "ids": ids})
	storage.All(t, &numbers, jobNamesSQL, storage.Args{"program_id": t.Program, "jobs": jobs, "contacts": office})
	if err := t.Flush(); err != nil {
		return err
	}
	named := map[domain.Subject]string{}
	for i := range names {
		name, err := names[i].name()
		if err != nil {
			return err
		}
		named[domain.Subject{Kind: domain.Kind(names[i].Kind), ID: names[i].ID}] = name
	}
	ofJob := map[domain.UUID]*jobNameRow{}
	for i := range numbers {
		ofJob[numbers[i].ID] = &numbers[i]
	}
	for i := range l.Items {
		w := &l.Items[i]
		w.Contractor = named[domain.Subject{Kind: domain.ContractorKind, ID: w.ContractorID}]
		w.Name = named[domain.Subject{Kind: domain.Kind(w.SubjectKind), ID: w.SubjectID}]
		if w.SubjectKind == "credential" && w.Name == "" { // the firm holds it
			w.Name = w.Contractor
		}
		if j := ofJob[w.JobID]; j != nil {
			w.Number = j.Number
			if j.Street != nil {
				w.Street = *j.Street
			}
		}
	}
	return nil
}

// name is what people call the record.
func (r *nameRow) name() (string, error) {
	body := r.Body
	if r.Kind == "credential" {
		if r.Holder == nil {
			return "", nil
		}
		body = *r.Holder
	}
	var of struct {
		Name   string `json:"name"`
		Serial string `json:"serial"`
	}
	if err := json.Unmarshal([]byte(body), &of); err != nil {
		return "", fmt.Errorf("%s %s: %w", r.Kind, domain.UUID(r.ID), err)
	}
	if r.Kind == "instrument" {
		return of.Serial, nil
	}
	return of.Name, nil
}
