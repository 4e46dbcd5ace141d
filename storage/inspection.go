package storage

const inspectionInsertSQL = `
INSERT INTO inspection (program_id, id, version, void,
    job_id, purpose, inspected_on, result)
SELECT @program_id, f.id, f.version, f.void,
    f.job_id, f.purpose, f.inspected_on, f.result
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    job_id uuid, purpose text, inspected_on date, result text)`

const inspectionUpsertSQL = inspectionInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, purpose = excluded.purpose, inspected_on = excluded.inspected_on,
    result = excluded.result
WHERE inspection.version < excluded.version`
