DROP TABLE appointment;
-- The word stays in record_kind: Postgres takes none out of an enum.
