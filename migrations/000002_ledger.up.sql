-- Every accepted version of every record, in the order of acceptance. It is
-- the truth about history; the application may insert and select, no more.
CREATE TABLE ledger (
    program_id        uuid NOT NULL REFERENCES program,
    position          bigint NOT NULL CHECK (position > 0),
    kind              record_kind NOT NULL,
    record_id         uuid NOT NULL,
    version           bigint NOT NULL CHECK (version > 0),
    job_id            uuid,
    body              text NOT NULL, -- the record in the form of RFC 8785
    content_digest    bytea NOT NULL CHECK (length(content_digest) = 32), -- of the content as sent, which replay compares
    link              bytea NOT NULL CHECK (length(link) = 32),
    token_id          uuid, -- absent for what the operator wrote at the machine
    device_id         uuid,
    applied_by        uuid,
    received_at       timestamptz NOT NULL,
    recorded_at       timestamptz NOT NULL,
    clock_offset_s    double precision CHECK (clock_offset_s BETWEEN -1e10 AND 1e10),
    resident_revision bigint CHECK (resident_revision > 0),
    late              boolean NOT NULL,
    void_reason       text CHECK (void_reason <> ''),
    voided_at         timestamptz,
    PRIMARY KEY (program_id, position),
    -- An enum's equality is not leakproof, so that under row-level security it
    -- is no condition of an index: ids come first, kinds last, here and below.
    CONSTRAINT ledger_one_entry_per_version UNIQUE (program_id, record_id, version, kind),
    CONSTRAINT ledger_void_is_whole CHECK ((void_reason IS NULL) = (voided_at IS NULL))
);

-- The newest version of each record: what a push locks and compares, and what
-- the scoped feed reads. A job's own row names the job too.
CREATE TABLE record_head (
    program_id    uuid NOT NULL REFERENCES program,
    kind          record_kind NOT NULL,
    record_id     uuid NOT NULL,
    job_id        uuid,
    contractor_id uuid, -- of what belongs to a contractor and to no job
    position      bigint NOT NULL,
    version       bigint NOT NULL,
    sent_digest   bytea NOT NULL,
    void          boolean NOT NULL,
    PRIMARY KEY (program_id, record_id, kind)
);
CREATE INDEX record_head_of_job ON record_head (program_id, job_id, position) WHERE job_id IS NOT NULL;
CREATE INDEX record_head_of_contractor ON record_head (program_id, contractor_id, position) WHERE job_id IS NULL;

-- Which contractor may see which job, from which position on and until which.
CREATE TABLE job_scope (
    program_id       uuid NOT NULL REFERENCES program,
    contractor_id    uuid NOT NULL,
    job_id           uuid NOT NULL,
    granted_position bigint NOT NULL CHECK (granted_position > 0),
    last_position    bigint NOT NULL CHECK (last_position > 0),
    ended_position   bigint CHECK (ended_position >= granted_position),
    reason           text CHECK (reason IN ('reassigned', 'accepted', 'void', 'ended')),
    open             boolean NOT NULL,
    PRIMARY KEY (program_id, job_id, contractor_id), -- a job's holders; a contractor's jobs by the two below
    CONSTRAINT job_scope_ends_whole CHECK (open = (ended_position IS NULL) AND open = (reason IS NULL))
);
CREATE INDEX job_scope_news ON job_scope (program_id, contractor_id, (greatest(granted_position, last_position))) WHERE open;
CREATE INDEX job_scope_ended ON job_scope (program_id, contractor_id, ended_position) WHERE NOT open;

-- What was not accepted, with its bytes as received: field work is never lost
-- because it was wrong or early.
CREATE TABLE held (
    program_id        uuid NOT NULL REFERENCES program,
    held_id           uuid NOT NULL,
    state             text NOT NULL CHECK (state IN ('open', 'waiting', 'applied', 'closed', 'dismissed')),
    kind              text,
    record_id         uuid,
    base_version      bigint NOT NULL,
    digest            bytea NOT NULL CHECK (length(digest) = 32),
    bytes             bytea NOT NULL, -- the item as it came
    code              text NOT NULL,
    problem           text NOT NULL,
    job_id            uuid,
    contractor_id     uuid,
    missing_kind      record_kind,
    missing_id        uuid,
    token_id          uuid NOT NULL,
    device_id         uuid,
    received_at       timestamptz NOT NULL,
    clock_offset_s    double precision,
    closed_at         timestamptz,
    closed_by_version bigint,
    PRIMARY KEY (program_id, held_id),
    CONSTRAINT held_once UNIQUE NULLS NOT DISTINCT (program_id, record_id, digest, base_version, kind),
    CONSTRAINT held_waits_for_something CHECK (state <> 'waiting' OR (missing_kind IS NOT NULL AND missing_id IS NOT NULL)),
    CONSTRAINT held_ends_whole CHECK ((state IN ('open', 'waiting')) = (closed_at IS NULL))
);
CREATE INDEX held_waiting ON held (program_id, missing_id, missing_kind) WHERE state = 'waiting';
CREATE INDEX held_of_record ON held (program_id, record_id) WHERE state IN ('open', 'waiting');
CREATE INDEX held_of_job ON held (program_id, job_id) WHERE state IN ('open', 'waiting');
