package storage

const reviewInsertSQL = `
INSERT INTO review (program_id, id, version, void,
    job_id, decision)
SELECT @program_id, f.id, f.version, f.void,
    f.job_id, f.decision
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    job_id uuid, decision text)`

const reviewUpsertSQL = reviewInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, decision = excluded.decision
WHERE review.version < excluded.version`
