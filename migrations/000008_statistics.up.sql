-- What statistics need of an accepted job besides its readings, frozen with
-- it, and the periods that were published.
--
-- Locks: job_result exclusively, for the new columns (in the catalog only),
-- for one pass over the accepted rows (their counted_at) and for the index:
-- some seconds for a million rows. Code from before leaves the columns empty;
-- they are read so that an empty one means not known.
ALTER TABLE job_result
    ADD COLUMN counted_at      timestamptz, -- when the job was first accepted: a job counts in that period, also after it was opened again
    ADD COLUMN worked_by       uuid[],      -- contractors of the leads of the work visits, the first first
    ADD COLUMN questions       text[],      -- keys of the screens that asked
    ADD COLUMN measurable      boolean,     -- the reduction is beyond the tests' uncertainty; null where it cannot be known
    ADD COLUMN stray_cut_count integer CHECK (stray_cut_count >= 0), -- openings without a part near them; null when none was judged
    ADD COLUMN steps           text;        -- what the kinds of repair brought, as JSON

-- Policies hold for the owner too: without this the pass would see no row.
ALTER TABLE job_result NO FORCE ROW LEVEL SECURITY;
UPDATE job_result AS r SET counted_at = (
    SELECT min(f.accepted_at) FROM job_result AS f WHERE f.program_id = r.program_id AND f.job_id = r.job_id)
WHERE r.accepted_position IS NOT NULL;
ALTER TABLE job_result FORCE ROW LEVEL SECURITY;

-- Figures of a period are read from this index alone: the table's rows are
-- wide with results and verdicts.
CREATE INDEX job_result_counted ON job_result (program_id, counted_at, job_id)
    INCLUDE (home_id, contractor_id, worked_by, crew_lead_id, class, pay_basis, before_tenths, after_tenths, floor_area_ft2,
        extrapolated, below_range, excluded, questions, accepted_position, until_position)
    WHERE accepted_position IS NOT NULL;
CREATE INDEX job_result_assigned ON job_result (program_id, assigned_at) WHERE serial = 1;
-- The few readings of inspectors among all readings.
CREATE INDEX measurement_by_inspector ON measurement (program_id, job_id) WHERE stage = 'inspection';

-- A published period is a position of the ledger, with the answer as it was
-- read there. head_position is where the ledger stood when it was published:
-- only what is asked of later positions shows it, so that an answer at one
-- position stays the same for ever.
CREATE TABLE performance_publication (
    program_id     uuid NOT NULL REFERENCES program,
    publication_id uuid NOT NULL,
    from_on        text NOT NULL CHECK (from_on ~ '^\d{4}-\d{2}-\d{2}$'),
    before_on      text NOT NULL CHECK (before_on ~ '^\d{4}-\d{2}-\d{2}$'),
    position       bigint NOT NULL CHECK (position > 0),
    as_of_at       timestamptz NOT NULL,
    head_position  bigint NOT NULL,
    method_version text NOT NULL,
    input_digest   bytea NOT NULL CHECK (length(input_digest) = 32),
    answer_digest  bytea NOT NULL CHECK (length(answer_digest) = 32),
    answer         text NOT NULL, -- as staff read it
    trends         text NOT NULL, -- each contractor's monthly points, as JSON
    published_at   timestamptz NOT NULL,
    published_by_token uuid NOT NULL,
    published_by   text CHECK (length(published_by) BETWEEN 1 AND 120),
    PRIMARY KEY (program_id, publication_id),
    -- Publishing again at one position is the same publication.
    CONSTRAINT performance_publication_once UNIQUE (program_id, from_on, before_on, position, method_version),
    CONSTRAINT performance_publication_period CHECK (from_on < before_on),
    CONSTRAINT performance_publication_at_or_before_head CHECK (position <= head_position)
);
ALTER TABLE performance_publication ENABLE ROW LEVEL SECURITY;
ALTER TABLE performance_publication FORCE ROW LEVEL SECURITY;
CREATE POLICY of_program ON performance_publication USING (program_id = current_program()) WITH CHECK (program_id = current_program());
GRANT SELECT, INSERT ON performance_publication TO ductledger_app;
