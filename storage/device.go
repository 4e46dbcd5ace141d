package storage

const deviceInsertSQL = `
INSERT INTO device (program_id, id, version, void,
    contractor_id, name, state)
SELECT @program_id, r.id, r.version, r.void,
    f.contractor_id, f.name, f.state
FROM jsonb_to_recordset(@rows) AS r(id uuid, version bigint, void boolean, record jsonb),
    jsonb_to_record(r.record) AS f(contractor_id uuid, name text, state text)`

const deviceUpsertSQL = deviceInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    contractor_id = excluded.contractor_id, name = excluded.name, state = excluded.state
WHERE device.version < excluded.version`
