package storage

import (
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
)

type sameTestRow struct {
	JobID   [16]byte
	OtherID [16]byte
}

// Other homes with the same readings to the digit, on both sides readings that
// nothing replaces. By the index measurement_by_readings.
const factsTestsSQL = `
SELECT DISTINCT m.job_id, o.job_id AS other_id
FROM record_head AS h
CROSS JOIN LATERAL (SELECT x.id, x.job_id, x.readings_digest FROM measurement AS x
    WHERE x.program_id = @program_id AND x.id = h.record_id AND NOT x.void AND x.readings_digest IS NOT NULL OFFSET 0) AS m
CROSS JOIN LATERAL (SELECT x.id, x.job_id FROM measurement AS x
    WHERE x.program_id = @program_id AND x.readings_digest = m.readings_digest AND x.job_id <> m.job_id AND NOT x.void OFFSET 0) AS o
CROSS JOIN LATERAL (SELECT x.home_id FROM job AS x WHERE x.program_id = @program_id AND x.id = m.job_id OFFSET 0) AS j
CROSS JOIN LATERAL (SELECT x.home_id FROM job AS x WHERE x.program_id = @program_id AND x.id = o.job_id AND NOT x.void OFFSET 0) AS k
WHERE h.program_id = @program_id AND h.job_id = ANY (@jobs) AND h.kind = 'measurement' AND k.home_id <> j.home_id
    AND NOT EXISTS (SELECT FROM record_head AS g
        CROSS JOIN LATERAL (SELECT x.replaces FROM measurement AS x
            WHERE x.program_id = @program_id AND x.id = g.record_id AND NOT x.void OFFSET 0) AS r
        WHERE g.program_id = @program_id AND g.job_id IN (m.job_id, o.job_id) AND g.kind = 'measurement' AND r.replaces IN (m.id, o.id))
ORDER BY m.job_id, o.job_id`

type otherVisitRow struct {
	JobID     [16]byte
	LeadID    [16]byte
	OtherID   [16]byte
	ArrivedAt time.Time
	LeftAt    time.Time
}

// Visits of the same lead to other homes at the same time. By the index
// visit_of_lead.
const factsVisitsSQL = `
SELECT v.job_id, o.lead_id, o.job_id AS other_id, o.arrived_at, o.left_at
FROM record_head AS h
CROSS JOIN LATERAL (SELECT x.job_id, x.lead_id, x.visited_on, x.arrived_at, x.left_at FROM visit AS x
    WHERE x.program_id = @program_id AND x.id = h.record_id AND NOT x.void OFFSET 0) AS v
CROSS JOIN LATERAL (SELECT x.id, x.job_id, x.lead_id, x.arrived_at, x.left_at FROM visit AS x
    WHERE x.program_id = @program_id AND x.lead_id = v.lead_id AND x.visited_on = v.visited_on AND NOT x.void
        AND x.job_id <> v.job_id AND x.arrived_at < v.left_at AND v.arrived_at < x.left_at OFFSET 0) AS o
CROSS JOIN LATERAL (SELECT x.home_id FROM job AS x WHERE x.program_id = @program_id AND x.id = v.job_id OFFSET 0) AS j
CROSS JOIN LATERAL (SELECT x.home_id FROM job AS x WHERE x.program_id = @program_id AND x.id = o.job_id AND NOT x.void OFFSET 0) AS k
WHERE h.program_id = @program_id AND h.job_id = ANY (@jobs) AND h.kind = 'visit' AND k.home_id <> j.home_id
ORDER BY v.job_id, o.job_id, o.arrived_at, o.id`

// elsewhere adds what other homes have in common with a job.
func (f *facts) elsewhere(jobID domain.UUID, o *rules.Outside) {
	for _, r := range f.tests {
		if domain.UUID(r.JobID) == jobID {
			o.SameTests = append(o.SameTests, r.OtherID)
		}
	}
	for _, r := range f.visits {
		if domain.UUID(r.JobID) == jobID {
			o.OtherVisits = append(o.OtherVisits, rules.OtherVisit{CrewMemberID: r.LeadID, JobID: r.OtherID, ArrivedAt: r.ArrivedAt, LeftAt: r.LeftAt})
		}
	}
}
