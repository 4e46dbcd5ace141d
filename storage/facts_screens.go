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

// Other homes with the same readings to the digit. Four and more of them: two
// equal numbers are no evidence, since coarse gauges repeat themselves. By the
// index measurement_by_readings.
const factsTestsSQL = `
SELECT DISTINCT m.job_id, o.job_id AS other_id
FROM record_head AS h
JOIN measurement AS m ON m.program_id = h.program_id AND m.id = h.record_id AND NOT m.void AND cardinality(m.flows_cfm) >= 4
JOIN measurement AS o ON o.program_id = m.program_id AND o.flows_cfm = m.flows_cfm AND cardinality(o.flows_cfm) >= 4
    AND o.pressures_pa = m.pressures_pa AND o.method = m.method AND o.job_id <> m.job_id AND NOT o.void
JOIN job AS j ON j.program_id = m.program_id AND j.id = m.job_id
JOIN job AS k ON k.program_id = o.program_id AND k.id = o.job_id AND k.home_id <> j.home_id AND NOT k.void
WHERE h.program_id = @program_id AND h.job_id = ANY (@jobs) AND h.kind = 'measurement'
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
JOIN job AS j ON j.program_id = h.program_id AND j.id = v.job_id
JOIN job AS k ON k.program_id = h.program_id AND k.id = o.job_id AND k.home_id <> j.home_id AND NOT k.void
WHERE h.program_id = @program_id AND h.job_id = ANY (@jobs) AND h.kind = 'visit'
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
