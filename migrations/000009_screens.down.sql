DROP INDEX visit_of_lead;
DROP INDEX measurement_by_readings;
