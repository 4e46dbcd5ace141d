DROP INDEX job_scope_kept_news;
CREATE OR REPLACE FUNCTION readings_digest(method text, readings jsonb) RETURNS bytea
    LANGUAGE sql IMMUTABLE PARALLEL SAFE
    RETURN (
        SELECT CASE WHEN count(*) >= 4 THEN sha256(convert_to(method || string_agg(
                concat(':', trim_scale((x->>'pressure_pa')::numeric), '/', trim_scale((x->>'flow_cfm')::numeric),
                    '/', trim_scale((x->>'fan_pressure_pa')::numeric), '/', x->>'range'), '' ORDER BY place), 'UTF8')) END
        FROM jsonb_array_elements(readings) WITH ORDINALITY AS r(x, place)
        WHERE x ? 'pressure_pa' AND x ?| ARRAY['flow_cfm', 'fan_pressure_pa']
    );
ALTER TABLE job_scope DROP CONSTRAINT job_scope_of_job;
ALTER TABLE job_scope NO FORCE ROW LEVEL SECURITY;
ALTER TABLE job_scope ADD FOREIGN KEY (program_id) REFERENCES program;
ALTER TABLE job_scope FORCE ROW LEVEL SECURITY;
ALTER TABLE job NO FORCE ROW LEVEL SECURITY;
ALTER TABLE job ADD FOREIGN KEY (program_id) REFERENCES program;
ALTER TABLE job FORCE ROW LEVEL SECURITY;
ALTER TABLE ledger NO FORCE ROW LEVEL SECURITY;
ALTER TABLE ledger ADD FOREIGN KEY (program_id) REFERENCES program;
ALTER TABLE ledger FORCE ROW LEVEL SECURITY;
