-- The role that the service works as owns nothing and cannot log in; a login
-- that the service uses is a member of it. Roles belong to the cluster, not to
-- the database, so two databases migrated at once may both try to make it. An
-- owner that may make no roles finds it made by the administrator.
DO $$
BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'ductledger_app') THEN
        CREATE ROLE ductledger_app NOLOGIN NOBYPASSRLS;
    END IF;
EXCEPTION
    WHEN duplicate_object OR unique_violation THEN NULL;
END
$$;

-- The program of the transaction. It raises where none was set (42704) and
-- where a pooled session lost it (22P02), so that a forgotten program is an
-- error and never an empty answer.
CREATE FUNCTION current_program() RETURNS uuid
    LANGUAGE sql STABLE PARALLEL SAFE
    RETURN current_setting('ductledger.program')::uuid;

CREATE TYPE record_kind AS ENUM (
    'rule_set', 'contractor', 'crew_member', 'credential', 'training_event',
    'instrument', 'device', 'home', 'job', 'call_back', 'visit', 'component',
    'crossover', 'opening', 'repair', 'energy_isolation', 'measurement',
    'photo', 'review', 'waiver', 'inspection'
);

CREATE TYPE token_role AS ENUM ('field', 'contractor', 'inspector', 'staff', 'funder', 'admin');

-- An agency's program. Its id is derived from its code, so that no unique
-- key has to cross programs. The zone is fixed once a job is accepted.
CREATE TABLE program (
    program_id uuid PRIMARY KEY,
    code       text NOT NULL CHECK (code ~ '^[A-Z][A-Z0-9_]{1,15}$'),
    name       text NOT NULL CHECK (length(name) BETWEEN 1 AND 120),
    time_zone  text NOT NULL CHECK (time_zone <> ''),
    demo       boolean NOT NULL,
    created_at timestamptz NOT NULL
);

-- The counter of a program's accepted versions. Its row is locked last in a
-- push and only until the commit: that makes positions gapless and in commit
-- order. Numbers only, so it alone may be read across programs.
CREATE TABLE program_head (
    program_id  uuid PRIMARY KEY REFERENCES program,
    position    bigint NOT NULL CHECK (position >= 0),
    link        bytea NOT NULL CHECK (length(link) = 32),
    recorded_at timestamptz NOT NULL,
    -- One unbroken history. A new epoch begins where a restore lost or replaced
    -- what devices already know; up to epoch_from_position both are the same,
    -- unless it was a device that noticed.
    epoch       uuid NOT NULL,
    epoch_from_position bigint NOT NULL CHECK (epoch_from_position >= 0),
    epoch_cause text NOT NULL CHECK (epoch_cause IN ('new', 'restore', 'device')),
    -- The database in which this history was last written.
    system_identifier bigint,
    timeline    integer
);

-- Credentials. Stored is the SHA-256 of the token's text; the text is shown once.
CREATE TABLE token (
    program_id    uuid NOT NULL REFERENCES program,
    digest        bytea NOT NULL CHECK (length(digest) = 32),
    token_id      uuid NOT NULL,
    role          token_role NOT NULL,
    name          text CHECK (length(name) BETWEEN 1 AND 120),
    contractor_id uuid,
    device_id     uuid,
    created_at    timestamptz NOT NULL,
    revoked_at    timestamptz CHECK (revoked_at >= created_at),
    PRIMARY KEY (program_id, digest),
    UNIQUE (program_id, token_id),
    CONSTRAINT token_contractor_fits_role CHECK ((contractor_id IS NOT NULL) = (role IN ('field', 'contractor'))),
    CONSTRAINT token_device_fits_role CHECK (device_id IS NULL OR role IN ('field', 'inspector'))
);

-- What people do besides records: tokens, releases, downloads, erasures, held
-- items closed. Append-only, not chained.
CREATE TABLE audit (
    program_id uuid NOT NULL REFERENCES program,
    audit_id   uuid NOT NULL,
    at         timestamptz NOT NULL,
    token_id   uuid,
    action     text NOT NULL CHECK (action ~ '^[a-z_]+$'),
    subject_id uuid,
    detail     text NOT NULL,
    PRIMARY KEY (program_id, audit_id)
);
