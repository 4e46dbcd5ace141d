package storage

const energyIsolationInsertSQL = `
INSERT INTO energy_isolation (program_id, id, version, void,
    job_id, isolated_at, verified_at, verified_by_id, released_at, released_by_id, points_count)
SELECT @program_id, f.id, f.version, f.void,
    f.job_id, f.isolated_at, f.verified_at, f.verified_by_id, f.released_at, f.released_by_id, f.points_count
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    job_id uuid, isolated_at timestamptz, verified_at timestamptz, verified_by_id uuid, released_at timestamptz,
    released_by_id uuid, points_count integer)`

const energyIsolationUpsertSQL = energyIsolationInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, isolated_at = excluded.isolated_at, verified_at = excluded.verified_at,
    verified_by_id = excluded.verified_by_id, released_at = excluded.released_at,
    released_by_id = excluded.released_by_id, points_count = excluded.points_count
WHERE energy_isolation.version < excluded.version`
