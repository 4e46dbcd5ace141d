-- Packages that are being built. Locks: none on existing tables but the short
-- SHARE ROW EXCLUSIVE that the reference to program needs; the table is new.
--
-- One row a month, so that many who ask at once get one build. It stands from
-- the asking until the stored file was verified, or as the last failure until
-- somebody asks again. What the build is of never changes; an instance claims
-- it, says from time to time that it is alive, and another takes it over when
-- it does not.
CREATE TABLE month_build (
    program_id     uuid NOT NULL REFERENCES program,
    month          text NOT NULL CHECK (month ~ '^\d{4}-\d{2}$'),
    revision       integer NOT NULL CHECK (revision BETWEEN 1 AND 9999),
    position       bigint NOT NULL CHECK (position > 0),
    as_of_at       timestamptz NOT NULL, -- when the position was recorded
    finished       boolean NOT NULL,     -- the month had ended
    state          text NOT NULL CHECK (state IN ('building', 'failed')),
    stage          text NOT NULL,
    done_count     bigint NOT NULL CHECK (done_count >= 0), -- of the stage: rows, then bytes
    total_count    bigint NOT NULL CHECK (total_count >= 0), -- 0: not known
    tries_count    integer NOT NULL CHECK (tries_count >= 0),
    asked_at       timestamptz NOT NULL,
    asked_by_token uuid,
    asked_by       text CHECK (length(asked_by) BETWEEN 1 AND 120),
    started_at     timestamptz,
    updated_at     timestamptz NOT NULL,
    claim          uuid,                 -- of who works on it
    claimed_until  timestamptz NOT NULL, -- from then on anybody may
    failure        text,
    PRIMARY KEY (program_id, month),
    CONSTRAINT month_build_says_why_it_failed CHECK ((state = 'failed') = (failure IS NOT NULL))
);

ALTER TABLE month_build ENABLE ROW LEVEL SECURITY;
ALTER TABLE month_build FORCE ROW LEVEL SECURITY;
CREATE POLICY of_program ON month_build USING (program_id = current_program()) WITH CHECK (program_id = current_program());

GRANT SELECT, INSERT, UPDATE, DELETE ON month_build TO ductledger_app;
