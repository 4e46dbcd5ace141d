package storage

const callBackInsertSQL = `
INSERT INTO call_back (program_id, id, version, void,
    job_id, reported_on, closed_on, at_fault)
SELECT @program_id, f.id, f.version, f.void,
    f.job_id, f.reported_on, f.closed_on, f.at_fault
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    job_id uuid, reported_on date, closed_on date, at_fault text)`

const callBackUpsertSQL = callBackInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, reported_on = excluded.reported_on, closed_on = excluded.closed_on,
    at_fault = excluded.at_fault
WHERE call_back.version < excluded.version`
