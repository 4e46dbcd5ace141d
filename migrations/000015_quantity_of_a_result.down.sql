DROP INDEX job_result_counted;
CREATE INDEX job_result_counted ON job_result (program_id, counted_at, job_id)
    INCLUDE (home_id, contractor_id, worked_by, crew_lead_id, class, pay_basis, before_tenths, after_tenths, floor_area_ft2,
        extrapolated, below_range, excluded, questions, accepted_position, until_position)
    WHERE accepted_position IS NOT NULL;
ALTER TABLE job_result DROP COLUMN method, DROP COLUMN quality, DROP COLUMN together;
