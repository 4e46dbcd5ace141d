package storage

const deviceInsertSQL = `
INSERT INTO device (program_id, id, version, void,
    contractor_id, name, state)
SELECT @program_id, f.id, f.version, f.void,
    f.contractor_id, f.name, f.state
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    contractor_id uuid, name text, state text)`

const deviceUpsertSQL = deviceInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    contractor_id = excluded.contractor_id, name = excluded.name, state = excluded.state
WHERE device.version < excluded.version`
