package storage

const photoInsertSQL = `
INSERT INTO photo (program_id, id, version, void,
    job_id, sha256, bytes_count, taken_at, stage, device_id, replaces)
SELECT @program_id, f.id, f.version, f.void,
    f.job_id, decode(f.sha256, 'hex'), f.bytes_count, f.taken_at, f.stage, f.device_id, f.replaces
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    job_id uuid, sha256 text, bytes_count bigint, taken_at timestamptz, stage text, device_id uuid, replaces uuid)`

const photoUpsertSQL = photoInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, sha256 = excluded.sha256, bytes_count = excluded.bytes_count,
    taken_at = excluded.taken_at, stage = excluded.stage, device_id = excluded.device_id,
    replaces = excluded.replaces
WHERE photo.version < excluded.version`
