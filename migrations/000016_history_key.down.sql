ALTER TABLE program DROP COLUMN history_key;
