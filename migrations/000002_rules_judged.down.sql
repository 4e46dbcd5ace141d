DROP INDEX job_result_of_contractor, job_result_assigned, job_result_counted;
ALTER TABLE job_result DROP COLUMN judged_letters, DROP COLUMN judged_rules;
DROP FUNCTION letters_judged(text), rules_judged(text);
CREATE INDEX job_result_assigned ON job_result (program_id, assigned_at) WHERE serial = 1;
CREATE INDEX job_result_counted ON job_result (program_id, counted_at, job_id)
    INCLUDE (home_id, contractor_id, worked_by, crew_lead_id, class, pay_basis, before_tenths, after_tenths, floor_area_ft2,
        extrapolated, below_range, excluded, questions, method, quality, together, accepted_position, until_position)
    WHERE accepted_position IS NOT NULL;
