-- Which program a row of the ledger belongs to is taken from the program's
-- head, which the same statement moves on and which is held by the key to
-- program; a job is held through its home, a scope now through its job. A check
-- of each row against the program was made once a record and locked the
-- program's row, which all its pushes then shared.
ALTER TABLE ledger DROP CONSTRAINT ledger_program_id_fkey;
ALTER TABLE job DROP CONSTRAINT job_program_id_fkey;
ALTER TABLE job_scope DROP CONSTRAINT job_scope_program_id_fkey;
-- Policies hold for the owner too: without this the check would see no row.
ALTER TABLE job_scope NO FORCE ROW LEVEL SECURITY;
ALTER TABLE job NO FORCE ROW LEVEL SECURITY;
ALTER TABLE record_head NO FORCE ROW LEVEL SECURITY;
-- A home corrected after the acceptance was no news for the contractor's office,
-- which still reads the job; from now on a push says so.
UPDATE job_scope AS s SET last_position = h.position
FROM job AS j JOIN record_head AS h ON h.program_id = j.program_id AND h.record_id = j.home_id AND h.kind = 'home'
WHERE j.program_id = s.program_id AND j.id = s.job_id AND NOT s.open AND s.reason = 'accepted' AND h.position > s.last_position;
ALTER TABLE job_scope ADD CONSTRAINT job_scope_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id);
ALTER TABLE record_head FORCE ROW LEVEL SECURITY;
ALTER TABLE job FORCE ROW LEVEL SECURITY;
ALTER TABLE job_scope FORCE ROW LEVEL SECURITY;

-- A contractor's office reads its accepted jobs too: their news by an index, as
-- those of open ones.
CREATE INDEX job_scope_kept_news ON job_scope (program_id, contractor_id, (greatest(ended_position, last_position)))
    WHERE NOT open AND reason = 'accepted';

-- The same digests as before: a function in SQL is planned at every call, one
-- in PL/pgSQL once a session. Locks: none but that on the function; those
-- above lock their tables for three passes over job_scope, seconds for a million
-- rows. Code from before works with all of it.
CREATE OR REPLACE FUNCTION readings_digest(method text, readings jsonb) RETURNS bytea
    LANGUAGE plpgsql IMMUTABLE PARALLEL SAFE AS $$
BEGIN
    RETURN (
        SELECT CASE WHEN count(*) >= 4 THEN sha256(convert_to(method || string_agg(
                concat(':', trim_scale((x->>'pressure_pa')::numeric), '/', trim_scale((x->>'flow_cfm')::numeric),
                    '/', trim_scale((x->>'fan_pressure_pa')::numeric), '/', x->>'range'), '' ORDER BY place), 'UTF8')) END
        FROM jsonb_array_elements(readings) WITH ORDINALITY AS r(x, place)
        WHERE x ? 'pressure_pa' AND x ?| ARRAY['flow_cfm', 'fan_pressure_pa']
    );
END
$$;
