package storage

const appointmentInsertSQL = `
INSERT INTO appointment (program_id, id, version, void,
    job_id, planned_on, state)
SELECT @program_id, f.id, f.version, f.void,
    f.job_id, f.planned_on, f.state
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    job_id uuid, planned_on date, state text)`

const appointmentUpsertSQL = appointmentInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, planned_on = excluded.planned_on, state = excluded.state
WHERE appointment.version < excluded.version`
