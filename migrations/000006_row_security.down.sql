DO $$
DECLARE
    t name;
BEGIN
    FOR t IN SELECT tablename FROM pg_policies WHERE schemaname = 'public' AND policyname = 'of_program'
    LOOP
        EXECUTE format('DROP POLICY of_program ON %I', t);
        EXECUTE format('ALTER TABLE %I NO FORCE ROW LEVEL SECURITY', t);
        EXECUTE format('ALTER TABLE %I DISABLE ROW LEVEL SECURITY', t);
    END LOOP;
END
$$;
DROP POLICY head_of_any_program ON program_head;
REVOKE ALL ON ALL TABLES IN SCHEMA public FROM ductledger_app;
REVOKE USAGE ON SCHEMA public FROM ductledger_app;
