package storage

const reviewInsertSQL = `
INSERT INTO review (program_id, id, version, void,
    job_id, decision)
SELECT @program_id, r.id, r.version, r.void,
    f.job_id, f.decision
FROM jsonb_to_recordset(@rows) AS r(id uuid, version bigint, void boolean, record jsonb),
    jsonb_to_record(r.record) AS f(job_id uuid, decision text)`

const reviewUpsertSQL = reviewInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, decision = excluded.decision
WHERE review.version < excluded.version`
