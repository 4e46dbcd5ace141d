package storage

const repairInsertSQL = `
INSERT INTO repair (program_id, id, version, void,
    job_id, repair, component_ids, crossover_id, member_id, done_at, widest_gap_in)
SELECT @program_id, f.id, f.version, f.void,
    f.job_id, f.repair, f.component_ids, f.crossover_id, f.member_id, f.done_at, f.widest_gap_in
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    job_id uuid, repair text, component_ids uuid[], crossover_id uuid, member_id uuid, done_at timestamptz,
    widest_gap_in numeric)`

const repairUpsertSQL = repairInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, repair = excluded.repair, component_ids = excluded.component_ids,
    crossover_id = excluded.crossover_id, member_id = excluded.member_id, done_at = excluded.done_at,
    widest_gap_in = excluded.widest_gap_in
WHERE repair.version < excluded.version`
