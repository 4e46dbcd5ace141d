ALTER TABLE held DROP COLUMN looked_at;
