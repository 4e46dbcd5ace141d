package storage

const crossoverInsertSQL = `
INSERT INTO crossover (program_id, id, version, void,
    job_id, from_section, to_section, crossover, action, taken_down_at, clearance_in)
SELECT @program_id, f.id, f.version, f.void,
    f.job_id, f.from_section, f.to_section, f.crossover, f.action, f.taken_down_at, f.clearance_in
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    job_id uuid, from_section text, to_section text, crossover text, action text, taken_down_at timestamptz,
    clearance_in numeric)`

const crossoverUpsertSQL = crossoverInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, from_section = excluded.from_section, to_section = excluded.to_section,
    crossover = excluded.crossover, action = excluded.action, taken_down_at = excluded.taken_down_at,
    clearance_in = excluded.clearance_in
WHERE crossover.version < excluded.version`
