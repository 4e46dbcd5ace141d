-- What the screens of a job look for at other homes: the same readings to the
-- digit, and a crew's lead at two homes at once. Each index locks its table
-- against writes while it is built, seconds for a million rows; code before
-- and after it runs with it and without it.
CREATE INDEX measurement_by_readings ON measurement (program_id, flows_cfm) WHERE cardinality(flows_cfm) >= 4;
CREATE INDEX visit_of_lead ON visit (program_id, lead_id, visited_on) WHERE lead_id IS NOT NULL;
