package storage

const contractorInsertSQL = `
INSERT INTO contractor (program_id, id, version, void,
    name, started_on, ended_on)
SELECT @program_id, f.id, f.version, f.void,
    f.name, f.started_on, f.ended_on
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    name text, started_on date, ended_on date)`

const contractorUpsertSQL = contractorInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    name = excluded.name, started_on = excluded.started_on, ended_on = excluded.ended_on
WHERE contractor.version < excluded.version`
