package storage

const openingInsertSQL = `
INSERT INTO opening (program_id, id, version, void,
    job_id, place, origin, section, position_ft, made_at, closed_at)
SELECT @program_id, f.id, f.version, f.void,
    f.job_id, f."in", f.origin, f.section, f.position_ft, f.made_at, f.closed_at
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    job_id uuid, "in" text, origin text, section text, position_ft numeric, made_at timestamptz,
    closed_at timestamptz)`

const openingUpsertSQL = openingInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, place = excluded.place, origin = excluded.origin, section = excluded.section,
    position_ft = excluded.position_ft, made_at = excluded.made_at, closed_at = excluded.closed_at
WHERE opening.version < excluded.version`
