-- What the domain computed from a job's records. While the job is open its row
-- is overwritten; acceptance freezes it; re-opening or voiding sets
-- until_position and a new row begins. Statistics and packages read accepted
-- rows only: those with accepted_position <= P < until_position.
CREATE TABLE job_result (
    program_id         uuid NOT NULL,
    job_id             uuid NOT NULL,
    serial             integer NOT NULL CHECK (serial > 0),
    home_id            uuid NOT NULL,
    contractor_id      uuid NOT NULL,
    crew_lead_id       uuid,
    class              text NOT NULL CHECK (class IN ('single', 'double', 'triple')),
    pay_basis          text NOT NULL,
    state              text NOT NULL,
    outcome            text,
    floor_area_ft2     numeric,
    before_tenths      bigint CHECK (before_tenths >= 0), -- cfm25 in tenths: the edge at which a figure is rounded
    after_tenths       bigint CHECK (after_tenths >= 0),
    extrapolated       boolean NOT NULL,
    below_range        boolean NOT NULL, -- the reading after is the least that the instrument reads
    must_fix_count     integer NOT NULL CHECK (must_fix_count >= 0),
    check_count        integer NOT NULL CHECK (check_count >= 0),
    note_count         integer NOT NULL CHECK (note_count >= 0),
    not_recorded_count integer NOT NULL CHECK (not_recorded_count >= 0),
    excluded           boolean NOT NULL, -- by a person, from statistics
    result             text NOT NULL, -- unrounded, as answered
    verdict            text,          -- the findings as frozen at acceptance
    rule_set_id        uuid,
    method_version     text NOT NULL,
    inputs             text NOT NULL, -- the versions and counts that it used
    input_digest       bytea NOT NULL CHECK (length(input_digest) = 32),
    judged_at_position bigint NOT NULL CHECK (judged_at_position > 0),
    assigned_at        timestamptz NOT NULL,
    sent_in_at         timestamptz, -- first; the two counts are those of that moment
    first_must_fix_count     integer,
    first_not_recorded_count integer,
    returned_count     integer NOT NULL CHECK (returned_count >= 0),
    accepted_position  bigint,
    accepted_at        timestamptz,
    accepted_month     text CHECK (accepted_month ~ '^\d{4}-\d{2}$'),
    until_position     bigint CHECK (until_position >= accepted_position),
    PRIMARY KEY (program_id, job_id, serial),
    CONSTRAINT job_result_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id),
    CONSTRAINT job_result_accepted_whole CHECK ((accepted_position IS NULL) = (accepted_at IS NULL)
        AND (accepted_position IS NULL) = (accepted_month IS NULL)
        AND (accepted_position IS NULL) = (verdict IS NULL))
);
CREATE UNIQUE INDEX job_result_current ON job_result (program_id, job_id) WHERE until_position IS NULL;
CREATE INDEX job_result_accepted ON job_result (program_id, accepted_at, job_id) WHERE accepted_position IS NOT NULL;
CREATE INDEX job_result_of_home ON job_result (program_id, home_id) WHERE accepted_position IS NOT NULL;
CREATE INDEX job_result_of_lead ON job_result (program_id, crew_lead_id) WHERE accepted_position IS NOT NULL;
