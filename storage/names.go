package storage

import (
	"fmt"

	"ductledger/domain"

	"github.com/go-json-experiment/json"
)

type nameRow struct {
	RecordID [16]byte
	Body     string
}

// Contractors as they stood at the position; a voided one is left out unless
// it has accepted jobs.
const contractorNamesSQL = `
SELECT e.record_id, e.body
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'contractor' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)
    AND (e.voided_at IS NULL OR e.record_id IN (SELECT contractor_id FROM job_result WHERE program_id = @program_id AND accepted_position <= @position))`

// ContractorNames are the names of contractors as they stood at the position,
// of voided ones only where they have accepted jobs.
func (t *Tx) ContractorNames(position int64) (map[domain.UUID]string, error) {
	return names(t, contractorNamesSQL, position, func(c *domain.Contractor) string { return c.Name })
}

// Crew members as they stood at the position.
const crewNamesSQL = `
SELECT e.record_id, e.body
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'crew_member' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)`

// CrewNames are the names of crew members as they stood at the position.
func (t *Tx) CrewNames(position int64) (map[domain.UUID]string, error) {
	return names(t, crewNamesSQL, position, func(m *domain.CrewMember) string { return m.Name })
}

func names[R any](t *Tx, sql string, position int64, name func(*R) string) (map[domain.UUID]string, error) {
	var rows []nameRow
	All(t, &rows, sql, Args{"program_id": t.Program, "position": position})
	if err := t.Flush(); err != nil {
		return nil, err
	}
	list := make(map[domain.UUID]string, len(rows))
	for _, row := range rows {
		var record R
		if err := json.Unmarshal([]byte(row.Body), &record); err != nil {
			return nil, fmt.Errorf("name of %s: %w", domain.UUID(row.RecordID), err)
		}
		list[row.RecordID] = name(&record)
	}
	return list, nil
}
