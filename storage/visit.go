package storage

const visitInsertSQL = `
INSERT INTO visit (program_id, id, version, void,
    job_id, visited_on, lead_id, call_back_id, arrived_at, left_at)
SELECT @program_id, f.id, f.version, f.void,
    f.job_id, f.visited_on, f.lead_id, f.call_back_id, f.arrived_at, f.left_at
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    job_id uuid, visited_on date, lead_id uuid, call_back_id uuid, arrived_at timestamptz, left_at timestamptz)`

const visitUpsertSQL = visitInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, visited_on = excluded.visited_on, lead_id = excluded.lead_id,
    call_back_id = excluded.call_back_id, arrived_at = excluded.arrived_at, left_at = excluded.left_at
WHERE visit.version < excluded.version`
