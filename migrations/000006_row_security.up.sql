-- A program's rows are invisible to every other program, even to the owner
-- of the tables. program_head alone may be read across programs: it holds
-- numbers, and loops start from it and then set one program at a time.
DO $$
DECLARE
    t name;
BEGIN
    FOR t IN SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' AND relname <> 'schema_migrations'
    LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', t);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', t);
        EXECUTE format('CREATE POLICY of_program ON %I USING (program_id = current_program()) WITH CHECK (program_id = current_program())', t);
    END LOOP;
END
$$;
CREATE POLICY head_of_any_program ON program_head FOR SELECT USING (true);

GRANT USAGE ON SCHEMA public TO ductledger_app;
-- Append-only: the ledger and the audit can be written once and read.
GRANT SELECT, INSERT ON ledger, audit, program TO ductledger_app;
GRANT SELECT, INSERT, UPDATE ON program_head, token, record_head, job_scope, held,
    rule_set, contractor, crew_member, credential, training_event, instrument, device, device_sign, home,
    job, call_back, visit, component, crossover, opening, repair, energy_isolation, measurement, photo,
    review, waiver, inspection, inspection_draw, job_result TO ductledger_app;
GRANT SELECT, INSERT, UPDATE, DELETE ON resident TO ductledger_app;
