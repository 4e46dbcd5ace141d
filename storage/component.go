package storage

const componentInsertSQL = `
INSERT INTO component (program_id, id, version, void,
    job_id, component, section, number, position_ft, start_ft, end_ft, inside_width_in, inside_height_in)
SELECT @program_id, f.id, f.version, f.void,
    f.job_id, f.component, f.section, f.number, f.position_ft, f.start_ft, f.end_ft, f.inside_width_in,
    f.inside_height_in
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    job_id uuid, component text, section text, number integer, position_ft numeric, start_ft numeric,
    end_ft numeric, inside_width_in numeric, inside_height_in numeric)`

const componentUpsertSQL = componentInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, component = excluded.component, section = excluded.section,
    number = excluded.number, position_ft = excluded.position_ft, start_ft = excluded.start_ft,
    end_ft = excluded.end_ft, inside_width_in = excluded.inside_width_in,
    inside_height_in = excluded.inside_height_in
WHERE component.version < excluded.version`
