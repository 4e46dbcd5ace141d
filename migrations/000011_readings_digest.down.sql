DROP INDEX measurement_by_readings;
ALTER TABLE measurement DROP COLUMN readings_digest;
DROP FUNCTION readings_digest(text, jsonb);
CREATE INDEX measurement_by_readings ON measurement (program_id, flows_cfm) WHERE cardinality(flows_cfm) >= 4;
