-- What keeps figures apart that must not be added up: by which method leakage
-- was read, how well it is known, and with which other homes of its contractor
-- a home goes together (a park, else a crew's week).
--
-- Locks: job_result exclusively, for the new columns (in the catalog only), for
-- one pass over its rows and for the index: some seconds for a million rows.
-- Code from before leaves the columns empty: its jobs count as of no method.
ALTER TABLE job_result
    ADD COLUMN method   text,   -- fan_total, fan_outside, subtraction; null without a reading
    ADD COLUMN quality  text,   -- good, weak, undecided: the worse of both readings
    ADD COLUMN together bigint; -- equal for homes that go together; null: for a home by itself, or not known

-- Policies hold for the owner too: without this the pass would see no row.
ALTER TABLE job_result NO FORCE ROW LEVEL SECURITY;
UPDATE job_result SET method = nullif(result::jsonb ->> 'method', ''), quality = nullif(result::jsonb ->> 'quality', '');
ALTER TABLE job_result FORCE ROW LEVEL SECURITY;

DROP INDEX job_result_counted;
CREATE INDEX job_result_counted ON job_result (program_id, counted_at, job_id)
    INCLUDE (home_id, contractor_id, worked_by, crew_lead_id, class, pay_basis, before_tenths, after_tenths, floor_area_ft2,
        extrapolated, below_range, excluded, questions, method, quality, together, accepted_position, until_position)
    WHERE accepted_position IS NOT NULL;
