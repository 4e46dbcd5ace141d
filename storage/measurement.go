package storage

const measurementInsertSQL = `
INSERT INTO measurement (program_id, id, version, void,
    job_id, method, stage, instrument_id, taken_at, pressures_pa, flows_cfm, pans_pa, house_pressure_pa, replaces, readings_digest)
SELECT @program_id, f.id, f.version, f.void,
    f.job_id,
    f.method,
    f.stage,
    f.instrument_id,
    f.taken_at,
    ARRAY(SELECT (x->>'pressure_pa')::numeric FROM jsonb_array_elements(f.readings) AS x WHERE x ? 'pressure_pa'),
    ARRAY(SELECT (x->>'flow_cfm')::numeric FROM jsonb_array_elements(f.readings) AS x WHERE x ? 'flow_cfm'),
    ARRAY(SELECT (x->>'pan_pa')::numeric FROM jsonb_array_elements(f.readings) AS x WHERE x ? 'pan_pa'),
    f.house_pressure_pa,
    f.replaces,
    readings_digest(f.method, f.readings)
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    job_id uuid, method text, stage text, instrument_id uuid, taken_at timestamptz, readings jsonb,
    house_pressure_pa numeric, replaces uuid)`

const measurementUpsertSQL = measurementInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    job_id = excluded.job_id, method = excluded.method, stage = excluded.stage,
    instrument_id = excluded.instrument_id, taken_at = excluded.taken_at,
    pressures_pa = excluded.pressures_pa, flows_cfm = excluded.flows_cfm, pans_pa = excluded.pans_pa,
    house_pressure_pa = excluded.house_pressure_pa, replaces = excluded.replaces, readings_digest = excluded.readings_digest
WHERE measurement.version < excluded.version`
