-- The owner of the tables may read all rows, so that pg_dump with
-- --enable-row-security needs no superuser; writing stays bound to one program,
-- for the owner too. The service may read which version the schema has.
-- Locks: each table, for a moment.
DO $$
DECLARE
    t name;
BEGIN
    FOR t IN SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' AND relrowsecurity
    LOOP
        EXECUTE format('CREATE POLICY of_owner ON %I FOR SELECT TO CURRENT_USER USING (true)', t);
    END LOOP;
END
$$;
GRANT SELECT ON schema_migrations TO ductledger_app;
