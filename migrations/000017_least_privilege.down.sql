DO $$
DECLARE
    t name;
BEGIN
    FOR t IN SELECT tablename FROM pg_policies WHERE schemaname = 'public' AND policyname = 'of_owner'
    LOOP
        EXECUTE format('DROP POLICY of_owner ON %I', t);
    END LOOP;
END
$$;
REVOKE SELECT ON schema_migrations FROM ductledger_app;
