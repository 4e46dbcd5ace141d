-- What statistics of a period ask of the verdicts stands beside them, so that no figure
-- is made by reading the verdicts themselves: for each accepted job one letter a rule, in
-- the order of its verdict, and which rules these are. Both are made from the verdict by
-- Postgres, so they cannot say anything else. The table is written anew under its lock:
-- a minute for each hundred thousand jobs.

-- h: the rule held, b: it was broken, also where that was waived, -: not judged.
CREATE FUNCTION letters_judged(verdict text) RETURNS text
    LANGUAGE sql IMMUTABLE PARALLEL SAFE
    RETURN (SELECT string_agg(CASE
            WHEN coalesce((o -> 'outcomes' ->> 'broken')::integer, 0) + coalesce((o -> 'outcomes' ->> 'waived')::integer, 0) > 0 THEN 'b'
            WHEN coalesce((o -> 'outcomes' ->> 'holds')::integer, 0) > 0 THEN 'h' ELSE '-' END, '' ORDER BY n)
        FROM jsonb_array_elements(verdict::jsonb -> 'rules') WITH ORDINALITY AS r(o, n));

-- The rules that the letters are of, in their order, a space between.
CREATE FUNCTION rules_judged(verdict text) RETURNS text
    LANGUAGE sql IMMUTABLE PARALLEL SAFE
    RETURN (SELECT string_agg(o ->> 'rule', ' ' ORDER BY n) FROM jsonb_array_elements(verdict::jsonb -> 'rules') WITH ORDINALITY AS r(o, n));

ALTER TABLE job_result
    ADD COLUMN judged_letters text GENERATED ALWAYS AS (CASE WHEN accepted_position IS NOT NULL THEN letters_judged(verdict) END) STORED,
    -- Equal where the rules are: they are read once, of any such job.
    ADD COLUMN judged_rules uuid GENERATED ALWAYS AS (CASE WHEN accepted_position IS NOT NULL
        THEN substr(encode(sha256(decode(rules_judged(verdict), 'escape')), 'hex'), 1, 32)::uuid END) STORED;

-- As before, with the letters.
DROP INDEX job_result_counted;
CREATE INDEX job_result_counted ON job_result (program_id, counted_at, job_id)
    INCLUDE (home_id, contractor_id, worked_by, crew_lead_id, class, pay_basis, before_tenths, after_tenths, floor_area_ft2,
        extrapolated, below_range, excluded, questions, method, quality, together, accepted_position, until_position, judged_letters, judged_rules)
    WHERE accepted_position IS NOT NULL;

-- How contractors work is read from this index alone, but for jobs whose way was not straight.
DROP INDEX job_result_assigned;
CREATE INDEX job_result_assigned ON job_result (program_id, assigned_at, job_id)
    INCLUDE (worked_by, outcome, returned_count, first_must_fix_count, first_not_recorded_count, counted_at, measurable, after_tenths, stray_cut_count,
        method, quality, together, accepted_position, until_position)
    WHERE serial = 1;

-- A contractor's statement.
CREATE INDEX job_result_of_contractor ON job_result (program_id, contractor_id, accepted_position) INCLUDE (job_id, until_position) WHERE accepted_position IS NOT NULL;
