package storage

const waiverInsertSQL = `
INSERT INTO waiver (program_id, id, version, void,
    job_id, rule, reason)
SELECT @program_id, f.id, f.version, f.void,
    f.job_id, f.finding->>'rule', f.reason
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    job_id uuid, finding jsonb, reason text)`

const waiverUpsertSQL = waiverInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, rule = excluded.rule, reason = excluded.reason
WHERE waiver.version < excluded.version`
