-- The schema. Records stand in entry and nowhere else; the tables beside it
-- hold what statements join and lock (job), what the domain computed
-- (job_result), and what is no record at all. Keys begin with the program, and
-- none crosses programs.

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

-- An agency's program. Its id is derived from its code, so that no unique
-- key has to cross programs. The zone is fixed once a job is accepted.
CREATE TABLE program (
    program_id uuid PRIMARY KEY,
    code       text NOT NULL CHECK (code ~ '^[A-Z][A-Z0-9_]{1,15}$'),
    name       text NOT NULL CHECK (length(name) BETWEEN 1 AND 120),
    time_zone  text NOT NULL CHECK (time_zone <> ''),
    demo       boolean NOT NULL,
    created_at timestamptz NOT NULL,
    -- With it the service seals what it tells of the program's history: nobody
    -- else can make a cursor or a receipt.
    history_key bytea NOT NULL DEFAULT sha256(uuid_send(gen_random_uuid()) || uuid_send(gen_random_uuid())) CHECK (length(history_key) = 32)
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
    -- The database in which this history was last written. A dump that is put
    -- back makes this table anew, so its oid tells a copy on the same server.
    system_identifier bigint,
    timeline    integer,
    table_oid   bigint
);

-- Every accepted version of every record, in the order of acceptance. The
-- program of a row is that of the head which the same statement moves on, so
-- no key to program is checked for each row.
CREATE TABLE entry (
    program_id        uuid NOT NULL,
    position          bigint NOT NULL CHECK (position > 0),
    kind              text NOT NULL,
    record_id         uuid NOT NULL,
    version           bigint NOT NULL CHECK (version > 0),
    job_id            uuid, -- of a job its own id
    contractor_id     uuid, -- of what belongs to a contractor and to no job
    body              text NOT NULL, -- the record in the form of RFC 8785, its free texts left empty
    content_digest    bytea NOT NULL CHECK (length(content_digest) = 32), -- of the content as sent without its free texts
    texts_digest      bytea CHECK (length(texts_digest) = 32), -- of the salt and the free texts
    link              bytea NOT NULL CHECK (length(link) = 32),
    token_id          uuid, -- absent for what the operator wrote at the machine
    person_id         uuid, -- who holds that token
    device_id         uuid,
    applied_by        uuid, -- the token of who accepted a held item, and its person
    applied_by_person_id uuid,
    received_at       timestamptz NOT NULL,
    recorded_at       timestamptz NOT NULL,
    clock_offset_s    double precision,
    resident_revision bigint CHECK (resident_revision > 0),
    late              boolean NOT NULL,
    voided_at         timestamptz,
    until_position    bigint CHECK (until_position > position), -- of the version that replaced it; null: the newest
    match             bytea CHECK (length(match) = 32), -- of the newest version: what other homes are searched for
    PRIMARY KEY (program_id, position),
    -- Also the list of a kind in the order of its ids.
    CONSTRAINT entry_one_per_version UNIQUE (program_id, kind, record_id, version),
    CONSTRAINT entry_match_is_of_the_newest CHECK (match IS NULL OR until_position IS NULL)
);
CREATE INDEX entry_of_job ON entry (program_id, job_id, kind) WHERE job_id IS NOT NULL;
-- People, papers, instruments and devices by their contractor, the agency's own
-- under NULL; homes stand there too, by themselves behind their kind.
CREATE INDEX entry_of_contractor ON entry (program_id, contractor_id, kind, position) WHERE job_id IS NULL AND until_position IS NULL;
-- What people did at the office, newest first: what a phone sent is its job's history.
CREATE INDEX entry_by_people ON entry (program_id, recorded_at, position) WHERE person_id IS NOT NULL AND device_id IS NULL;
CREATE INDEX entry_by_person ON entry (program_id, person_id, recorded_at, position) WHERE person_id IS NOT NULL AND device_id IS NULL;
CREATE INDEX entry_match ON entry (program_id, match) WHERE match IS NOT NULL;
-- Two rule sets cannot begin on one day: a job is judged by one.
CREATE UNIQUE INDEX entry_rule_set_one_a_day ON entry (program_id, match) WHERE kind = 'rule_set' AND match IS NOT NULL;

-- The free texts of a version, those of its record in their order and then the
-- reason of a void. Erasing deletes the row: the entry keeps that there were
-- texts, and the chain holds their digest.
CREATE TABLE entry_text (
    program_id uuid NOT NULL,
    position   bigint NOT NULL,
    salt       bytea NOT NULL CHECK (length(salt) = 16),
    texts      text[] NOT NULL CHECK (cardinality(texts) > 0),
    PRIMARY KEY (program_id, position)
);

-- For people who read with SQL: each record as it stands, its free texts left empty.
CREATE VIEW record WITH (security_invoker = true) AS
SELECT program_id, kind, record_id, version, position, job_id, contractor_id, body::jsonb AS body, voided_at IS NOT NULL AS void,
    device_id, received_at, recorded_at, late
FROM entry WHERE until_position IS NULL;

-- People: whoever decides something is one of them. Two people are two rows: a
-- name that differs from another only in case or spaces is the same person's.
CREATE TABLE person (
    program_id    uuid NOT NULL REFERENCES program,
    person_id     uuid NOT NULL,
    name          text NOT NULL CHECK (length(name) BETWEEN 1 AND 120),
    name_key      text NOT NULL, -- the name in lower case, its spaces single
    role          text NOT NULL CHECK (role IN ('field', 'contractor', 'inspector', 'staff', 'funder', 'admin')),
    contractor_id uuid,
    password      text CHECK (password ~ '^\$argon2id\$'), -- never as it was typed; absent until the person chose one
    password_at   timestamptz,
    account       bytea CHECK (length(account) = 32), -- digest of the agency's account by which the person signs in, in place of a password
    created_at    timestamptz NOT NULL,
    ended_at      timestamptz CHECK (ended_at >= created_at),
    PRIMARY KEY (program_id, person_id),
    CONSTRAINT person_name_once UNIQUE (program_id, name_key),
    CONSTRAINT person_contractor_fits_role CHECK ((contractor_id IS NOT NULL) = (role IN ('field', 'contractor'))),
    CONSTRAINT person_password_whole CHECK ((password IS NULL) = (password_at IS NULL)),
    CONSTRAINT person_account_once UNIQUE (program_id, account),
    CONSTRAINT person_one_way_in CHECK (password IS NULL OR account IS NULL)
);

-- Credentials. Stored is the SHA-256 of the text; the text is shown once. A
-- session is one that a browser keeps in a cookie.
CREATE TABLE token (
    program_id    uuid NOT NULL REFERENCES program,
    digest        bytea NOT NULL CHECK (length(digest) = 32),
    token_id      uuid NOT NULL,
    person_id     uuid, -- who holds it; absent for a machine, which can decide nothing
    session       boolean NOT NULL DEFAULT false,
    role          text NOT NULL CHECK (role IN ('field', 'contractor', 'inspector', 'staff', 'funder', 'admin')),
    contractor_id uuid,
    device_id     uuid,
    fund_source   text, -- whose packages alone a funder reads; absent: all
    created_at    timestamptz NOT NULL,
    seen_at       timestamptz NOT NULL, -- last, as exactly as its lapsing asks for
    idle_s        bigint CHECK (idle_s > 0), -- it lapses so long after it was seen last; absent: never
    ends_at       timestamptz CHECK (ends_at > created_at),
    revoked_at    timestamptz CHECK (revoked_at >= created_at),
    PRIMARY KEY (program_id, digest),
    UNIQUE (program_id, token_id),
    CONSTRAINT token_of_person FOREIGN KEY (program_id, person_id) REFERENCES person (program_id, person_id),
    CONSTRAINT token_session_is_a_persons CHECK (NOT session OR person_id IS NOT NULL AND ends_at IS NOT NULL),
    CONSTRAINT token_contractor_fits_role CHECK ((contractor_id IS NOT NULL) = (role IN ('field', 'contractor'))),
    CONSTRAINT token_device_fits_role CHECK (device_id IS NULL OR role IN ('field', 'inspector')),
    CONSTRAINT token_fund_fits_role CHECK (fund_source IS NULL OR role = 'funder')
);
CREATE INDEX token_of_a_person ON token (program_id, person_id) WHERE revoked_at IS NULL;

-- What is good for one use: a link by which a person chooses a password or
-- signs in, a code by which a phone gets its token. Stored is the SHA-256.
CREATE TABLE one_use (
    program_id    uuid NOT NULL REFERENCES program,
    digest        bytea NOT NULL CHECK (length(digest) = 32),
    one_use_id    uuid NOT NULL,
    purpose       text NOT NULL CHECK (purpose IN ('password', 'sign_in', 'enrollment')),
    person_id     uuid NOT NULL,
    device_id     uuid,
    created_at    timestamptz NOT NULL,
    created_by_person_id uuid, -- absent: the operator at the machine
    lapses_at     timestamptz NOT NULL CHECK (lapses_at > created_at),
    used_at       timestamptz CHECK (used_at >= created_at), -- also when it was taken back
    PRIMARY KEY (program_id, digest),
    CONSTRAINT one_use_of_person FOREIGN KEY (program_id, person_id) REFERENCES person (program_id, person_id),
    CONSTRAINT one_use_enrolls_a_device CHECK ((purpose = 'enrollment') = (device_id IS NOT NULL))
);
CREATE INDEX one_use_open ON one_use (program_id, person_id) WHERE used_at IS NULL;
-- Which links others made for a person.
CREATE INDEX one_use_of ON one_use (program_id, person_id, created_at);

-- What people do besides records: tokens, releases, downloads, erasures, held
-- items closed. Append-only, not chained.
CREATE TABLE audit (
    program_id uuid NOT NULL REFERENCES program,
    audit_id   uuid NOT NULL,
    at         timestamptz NOT NULL,
    token_id   uuid,
    person_id  uuid,
    action     text NOT NULL CHECK (action ~ '^[a-z_]+$'),
    subject_id uuid,
    detail     text NOT NULL,
    PRIMARY KEY (program_id, audit_id)
);
-- When a backup was last tried.
CREATE INDEX audit_restore_tried ON audit (program_id, at) WHERE action = 'restore_tried';
CREATE INDEX audit_by_time ON audit (program_id, at, audit_id);
CREATE INDEX audit_by_person ON audit (program_id, person_id, at, audit_id) WHERE person_id IS NOT NULL;

-- What every request of a device asks for, from its record, and what it told of
-- itself and how far it has read.
CREATE TABLE device (
    program_id            uuid NOT NULL,
    id                    uuid NOT NULL,
    contractor_id         uuid,
    state                 text NOT NULL CHECK (state IN ('active', 'closing', 'revoked')),
    void                  boolean NOT NULL,
    created_at            timestamptz NOT NULL,
    last_pull_at          timestamptz,
    last_push_at          timestamptz,
    acknowledged_position bigint,
    clock_offset_s        double precision,
    app_name              text,
    app_version           text,
    schema_revision       integer,
    pending_records_count integer,
    pending_photos_count  integer,
    pending_oldest_at     timestamptz,
    pending_job_ids       uuid[],
    PRIMARY KEY (program_id, id)
);
CREATE INDEX device_of_contractor ON device (program_id, contractor_id, id);
ALTER TABLE token ADD CONSTRAINT token_of_device FOREIGN KEY (program_id, device_id) REFERENCES device (program_id, id);

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
    missing_kind      text,
    missing_id        uuid,
    token_id          uuid NOT NULL,
    person_id         uuid,
    device_id         uuid,
    received_at       timestamptz NOT NULL,
    clock_offset_s    double precision,
    looked_at         timestamptz, -- last, of one that waits, though nothing came for it
    closed_at         timestamptz,
    closed_by_version bigint,
    closed_by_person_id uuid,
    PRIMARY KEY (program_id, held_id),
    CONSTRAINT held_once UNIQUE NULLS NOT DISTINCT (program_id, record_id, digest, base_version, kind),
    CONSTRAINT held_waits_for_something CHECK (state <> 'waiting' OR (missing_kind IS NOT NULL AND missing_id IS NOT NULL)),
    CONSTRAINT held_ends_whole CHECK ((state IN ('open', 'waiting')) = (closed_at IS NULL))
);
CREATE INDEX held_waiting ON held (program_id, missing_id, missing_kind) WHERE state = 'waiting';
CREATE INDEX held_of_record ON held (program_id, record_id) WHERE state IN ('open', 'waiting');
CREATE INDEX held_of_job ON held (program_id, job_id) WHERE state IN ('open', 'waiting');
CREATE INDEX held_of_contractor ON held (program_id, contractor_id) WHERE state IN ('open', 'waiting');
CREATE INDEX held_of_device ON held (program_id, device_id) WHERE state IN ('open', 'waiting');

-- The one thing that is overwritten and can be erased. Seen by the crew of an
-- assigned open job and by staff; leaves in no package, log or error.
CREATE TABLE resident (
    program_id uuid NOT NULL,
    home_id    uuid NOT NULL,
    revision   bigint NOT NULL CHECK (revision > 0),
    name       text,
    phone      text,
    street     text,
    permission_by text, -- who signed for the owner
    consent_by text, -- who consented to the work
    PRIMARY KEY (program_id, home_id)
);

-- By whose beginnings homes and contractors are found: each text from each of
-- its words on, so that one range of the key holds what begins with some words.
-- Of a home its park (home) and who lives there (resident), under the home's id.
CREATE TABLE word (
    program_id uuid NOT NULL,
    kind       text NOT NULL CHECK (kind IN ('home', 'resident', 'contractor')),
    word       text COLLATE "C" NOT NULL CHECK (length(word) BETWEEN 1 AND 80),
    id         uuid NOT NULL,
    PRIMARY KEY (program_id, kind, word, id)
);
CREATE INDEX word_of ON word (program_id, id, kind);

-- The newest version of each job with what statements lock, join and list by.
CREATE TABLE job (
    program_id    uuid NOT NULL,
    id            uuid NOT NULL,
    home_id       uuid NOT NULL,
    contractor_id uuid NOT NULL,
    state         text NOT NULL CHECK (state IN ('assigned', 'in_work', 'sent_in', 'returned', 'accepted', 'deferred')),
    void          boolean NOT NULL,
    open          boolean NOT NULL GENERATED ALWAYS AS (NOT void AND state IN ('assigned', 'in_work', 'sent_in', 'returned')) STORED,
    due_on        date,
    recorded_at   timestamptz NOT NULL, -- its first version
    state_since   timestamptz NOT NULL,
    late_count    integer NOT NULL DEFAULT 0 CHECK (late_count >= 0),
    called_back   boolean NOT NULL DEFAULT false, -- has a call-back that is not closed
    inspected     boolean NOT NULL DEFAULT false, -- has a reading of an inspector
    inspection_failed_at timestamptz, -- when its last finished inspection failed; null: it passed, or there is none
    began_at      timestamptz, -- when a crew was first known to be at work; null: nobody said so before it was sent in
    hazard_since  timestamptz, -- since when a hazard is on record that nobody in the office has read; null: there is none
    started_by_crew boolean NOT NULL DEFAULT false, -- and not confirmed by the office: its crew sees no contact
    number        bigint NOT NULL CHECK (number > 0), -- for telephones; counted up in the order of acceptance
    PRIMARY KEY (program_id, id),
    CONSTRAINT job_number_once UNIQUE (program_id, number)
);
CREATE INDEX job_of_home ON job (program_id, home_id, id);
CREATE INDEX job_of_contractor ON job (program_id, contractor_id, id);
CREATE INDEX job_open_of_contractor ON job (program_id, contractor_id) WHERE open;
CREATE INDEX job_by_state ON job (program_id, state, id);
CREATE INDEX job_due ON job (program_id, due_on, id) WHERE due_on IS NOT NULL AND NOT void AND state IN ('assigned', 'in_work', 'returned');
CREATE INDEX job_called_back ON job (program_id, id) WHERE called_back;
CREATE INDEX job_started_by_crew ON job (program_id, recorded_at, id) WHERE open AND started_by_crew;
CREATE INDEX job_inspection_failed ON job (program_id, inspection_failed_at, id) WHERE inspection_failed_at IS NOT NULL;
CREATE INDEX job_began ON job (program_id, began_at, id) WHERE began_at IS NOT NULL;
CREATE INDEX job_hazard ON job (program_id, hazard_since, id) WHERE hazard_since IS NOT NULL;
CREATE INDEX job_inspected ON job (program_id, id) WHERE inspected;

-- Homes that ask to be served, in the order of law and program: the facts that give
-- priority as bits, whose points the rule set says, then the day of the application.
CREATE TABLE waiting_home (
    program_id     uuid NOT NULL,
    application_id uuid NOT NULL,
    home_id        uuid NOT NULL,
    priority       integer NOT NULL CHECK (priority BETWEEN 0 AND 31),
    applied_on     date NOT NULL,
    waiting        boolean NOT NULL, -- as the application says
    job_id         uuid, -- that was made for the home; a void one gives it back
    PRIMARY KEY (program_id, application_id)
);
CREATE INDEX waiting_home_order ON waiting_home (program_id, priority, applied_on, application_id) WHERE waiting AND job_id IS NULL;
CREATE INDEX waiting_home_of_home ON waiting_home (program_id, home_id) WHERE waiting AND job_id IS NULL;
CREATE INDEX waiting_home_of_job ON waiting_home (program_id, job_id) WHERE job_id IS NOT NULL;

-- Which open jobs were read with an instrument: a new calibration judges them again.
CREATE TABLE job_instrument (
    program_id    uuid NOT NULL,
    instrument_id uuid NOT NULL,
    job_id        uuid NOT NULL,
    PRIMARY KEY (program_id, instrument_id, job_id)
);
CREATE INDEX job_instrument_of_job ON job_instrument (program_id, job_id);

-- Which contractor may see which job, from which position on and until which.
CREATE TABLE job_scope (
    program_id       uuid NOT NULL,
    contractor_id    uuid NOT NULL,
    job_id           uuid NOT NULL,
    granted_position bigint NOT NULL CHECK (granted_position > 0),
    last_position    bigint NOT NULL CHECK (last_position > 0),
    ended_position   bigint CHECK (ended_position >= granted_position),
    reason           text CHECK (reason IN ('reassigned', 'accepted', 'void', 'ended')),
    open             boolean NOT NULL,
    PRIMARY KEY (program_id, job_id, contractor_id), -- a job's holders; a contractor's jobs by those below
    CONSTRAINT job_scope_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id),
    CONSTRAINT job_scope_ends_whole CHECK (open = (ended_position IS NULL) AND open = (reason IS NULL))
);
CREATE INDEX job_scope_news ON job_scope (program_id, contractor_id, (greatest(granted_position, last_position))) WHERE open;
CREATE INDEX job_scope_granted ON job_scope (program_id, contractor_id, granted_position, last_position) WHERE open;
CREATE INDEX job_scope_ended ON job_scope (program_id, contractor_id, ended_position) WHERE NOT open;
-- A contractor's office reads its accepted jobs too.
CREATE INDEX job_scope_kept_news ON job_scope (program_id, contractor_id, (greatest(ended_position, last_position)))
    WHERE NOT open AND reason = 'accepted';
CREATE INDEX job_scope_kept_granted ON job_scope (program_id, contractor_id, granted_position) WHERE NOT open AND reason = 'accepted';

-- Where the bytes of each photo stand. The row comes with the photo's record;
-- the bytes come later, in parts, and are kept apart from the database.
CREATE TABLE picture (
    program_id    uuid NOT NULL,
    photo_id      uuid NOT NULL,
    job_id        uuid NOT NULL,
    device_id     uuid, -- that sent the record and owes the bytes
    sha256        bytea NOT NULL CHECK (length(sha256) = 32), -- of the bytes as taken, as the record says
    bytes_count   bigint NOT NULL CHECK (bytes_count > 0),    -- the same
    taken_at      timestamptz NOT NULL,
    void          boolean NOT NULL DEFAULT false,
    state         text NOT NULL CHECK (state IN ('awaited', 'partial', 'stored', 'refused', 'erased')),
    owed          boolean NOT NULL GENERATED ALWAYS AS (NOT void AND state IN ('awaited', 'partial', 'refused')) STORED,
    attempt       integer NOT NULL DEFAULT 0 CHECK (attempt >= 0), -- how often it was begun anew: part of the parts' names
    part_ends     bigint[] NOT NULL DEFAULT '{}', -- where in the picture each durable part ends
    leftover      text[] NOT NULL DEFAULT '{}',   -- names of bytes that are still to be removed
    touched_at    timestamptz, -- when bytes came last
    refused_code  text,
    stored_at     timestamptz,
    stored_by_token uuid,
    media_type    text,   -- of what is shown, by its bytes
    shown_sha256  bytea CHECK (length(shown_sha256) = 32),
    shown_count   bigint, -- bytes
    thumbnail_count bigint,
    width_px      integer, -- upright
    height_px     integer,
    original_kept boolean NOT NULL DEFAULT false,
    likeness      bigint, -- tells pictures that look alike; null: none can be told
    erased_at     timestamptz,
    PRIMARY KEY (program_id, photo_id),
    CONSTRAINT picture_has_parts_while_partial CHECK (state IN ('partial') = (cardinality(part_ends) > 0)),
    CONSTRAINT picture_says_why_it_is_refused CHECK ((state = 'refused') = (refused_code IS NOT NULL)),
    CONSTRAINT picture_is_shown_when_stored CHECK (state <> 'stored' OR stored_at IS NOT NULL AND media_type IS NOT NULL),
    CONSTRAINT picture_erased_whole CHECK ((state = 'erased') = (erased_at IS NOT NULL))
);
CREATE INDEX picture_owed_by_device ON picture (program_id, device_id, bytes_count, photo_id) WHERE owed;
CREATE INDEX picture_of_job ON picture (program_id, job_id) WHERE owed;
CREATE INDEX picture_leftover ON picture (program_id, photo_id) WHERE leftover <> '{}';
CREATE INDEX picture_unfinished ON picture (program_id, touched_at) WHERE state = 'partial';
CREATE INDEX picture_stored ON picture (program_id, stored_at, photo_id) WHERE state = 'stored';

-- A quarter of each stored picture's likeness: two pictures that look alike have
-- at least one in common, so they are found without reading all others.
CREATE TABLE picture_band (
    program_id uuid NOT NULL,
    band       bigint NOT NULL,
    taken_at   timestamptz NOT NULL,
    photo_id   uuid NOT NULL,
    PRIMARY KEY (program_id, band, taken_at, photo_id)
);
CREATE INDEX picture_band_of_photo ON picture_band (program_id, photo_id);

-- Pictures of different homes that look alike, each pair from both sides.
CREATE TABLE picture_like (
    program_id     uuid NOT NULL,
    job_id         uuid NOT NULL,
    photo_id       uuid NOT NULL,
    other_photo_id uuid NOT NULL,
    other_job_id   uuid NOT NULL,
    differ_bits    integer NOT NULL CHECK (differ_bits BETWEEN 0 AND 64),
    PRIMARY KEY (program_id, job_id, photo_id, other_photo_id)
);

-- Which jobs an inspector may see: opened by a draw or by hand, until the
-- inspection is finished. What comes of the inspection afterwards is still taken.
CREATE TABLE inspection_draw (
    program_id uuid NOT NULL,
    job_id     uuid NOT NULL,
    inspector_id     uuid, -- the person who alone sees it; null: all inspectors
    granted_position bigint NOT NULL CHECK (granted_position > 0),
    ended_position   bigint CHECK (ended_position >= granted_position),
    drawn_at   timestamptz NOT NULL,
    closed_at  timestamptz CHECK (closed_at >= drawn_at),
    during_work boolean NOT NULL DEFAULT false, -- for an unannounced visit, until the job is sent in
    by_hand_position bigint CHECK (by_hand_position > 0), -- at which a person opened it that no draw had; it stays
    PRIMARY KEY (program_id, job_id),
    CONSTRAINT inspection_draw_ends_whole CHECK ((closed_at IS NULL) = (ended_position IS NULL)),
    CONSTRAINT inspection_draw_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id)
);
CREATE INDEX inspection_draw_open ON inspection_draw (program_id, job_id) WHERE closed_at IS NULL;
CREATE INDEX inspection_draw_ended ON inspection_draw (program_id, ended_position) WHERE closed_at IS NOT NULL;

-- The seed of a month from which jobs are drawn as they come. The service made it; its digest was told, and nobody
-- reads it before the month is over. A job's number is HMAC-SHA256(seed, job_id): the two padded keys are the seed
-- as RFC 2104 mixes it. A job is drawn where its number is below.
CREATE TABLE inspection_seed (
    program_id  uuid NOT NULL REFERENCES program,
    month       text NOT NULL CHECK (month ~ '^\d{4}-\d{2}$'),
    from_at     timestamptz NOT NULL,
    before_at   timestamptz NOT NULL CHECK (before_at > from_at),
    seed        bytea NOT NULL CHECK (length(seed) = 32),
    inner_key   bytea NOT NULL CHECK (length(inner_key) = 64),
    outer_key   bytea NOT NULL CHECK (length(outer_key) = 64),
    below       bytea NOT NULL, -- of jobs that are sent in
    visit_below bytea NOT NULL, -- of jobs that a crew begins; empty: none is visited
    PRIMARY KEY (program_id, month)
);

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
    fund_source        text, -- that pays for it; null where nobody can tell
    state              text NOT NULL,
    outcome            text,
    floor_area_ft2     double precision,
    before_tenths      bigint CHECK (before_tenths >= 0), -- cfm25 in tenths: the edge at which a figure is rounded
    after_tenths       bigint CHECK (after_tenths >= 0),
    extrapolated       boolean NOT NULL,
    below_range        boolean NOT NULL, -- the reading after is the least that the instrument reads
    must_fix_count     integer NOT NULL CHECK (must_fix_count >= 0),
    check_count        integer NOT NULL CHECK (check_count >= 0),
    note_count         integer NOT NULL CHECK (note_count >= 0),
    not_recorded_count integer NOT NULL CHECK (not_recorded_count >= 0),
    excluded           boolean NOT NULL, -- by a person, from statistics
    pictures_owed_count integer NOT NULL DEFAULT 0 CHECK (pictures_owed_count >= 0), -- that payment waits for; the first fewer ones begin a row of their own
    asked_count        integer CHECK (asked_count > 0), -- what a reviewer of a job that is sent in is asked and has not answered; null: nothing
    energy_method      text,   -- by which the saving is estimated; null where the program estimates nothing, or nothing of this job
    energy_saved_kwh   bigint, -- in a year, an estimate
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
    counted_at         timestamptz, -- when the job was first accepted: a job counts in that period, also after it was opened again
    worked_by          uuid[],      -- contractors of the leads of the work visits, the first first
    questions          text[],      -- keys of the screens that asked
    measurable         boolean,     -- the reduction is beyond the tests' uncertainty; null where it cannot be known
    stray_cut_count    integer CHECK (stray_cut_count >= 0), -- openings without a part near them; null when none was judged
    steps              text,        -- what the kinds of repair brought, as JSON
    method             text,        -- fan_total, fan_outside, subtraction; null without a reading
    quality            text,        -- good, weak, undecided: the worse of both readings
    together           bigint,      -- equal for homes that go together (a park, else a crew's week); null: for a home by itself, or not known
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
CREATE INDEX job_result_of_lead ON job_result (program_id, crew_lead_id, home_id) WHERE accepted_position IS NOT NULL;
-- Figures of a period are read from this index alone: the table's rows are
-- wide with results and verdicts.
CREATE INDEX job_result_counted ON job_result (program_id, counted_at, job_id)
    INCLUDE (home_id, contractor_id, worked_by, crew_lead_id, class, pay_basis, before_tenths, after_tenths, floor_area_ft2,
        extrapolated, below_range, excluded, questions, method, quality, together, accepted_position, until_position)
    WHERE accepted_position IS NOT NULL;
CREATE INDEX job_result_first_sent_in ON job_result (program_id, sent_in_at) WHERE serial = 1;
CREATE INDEX job_result_sent_in ON job_result (program_id, sent_in_at) WHERE until_position IS NULL;
CREATE INDEX job_result_assigned ON job_result (program_id, assigned_at) WHERE serial = 1;

-- The funder's monthly packages.
--
-- The file's bytes are kept, in parts, and not made again when somebody asks:
-- the same rows give the same bytes only with the same release of the
-- compressor, and a file that was handed out must be the same in ten years.
CREATE TABLE month_package (
    program_id        uuid NOT NULL REFERENCES program,
    month             text NOT NULL CHECK (month ~ '^\d{4}-\d{2}$'),
    fund_source       text NOT NULL, -- whose jobs and money alone it holds; empty: all, in a program with one fund or none
    only_fund         text,          -- of a program that had one: then the package is that fund's
    revision          integer NOT NULL CHECK (revision BETWEEN 1 AND 9999),
    state             text NOT NULL CHECK (state IN ('draft', 'verified', 'released', 'superseded')),
    position          bigint NOT NULL CHECK (position > 0),
    as_of_at          timestamptz NOT NULL, -- when the position was recorded
    finished          boolean NOT NULL,     -- the month had ended
    previous_position bigint NOT NULL CHECK (previous_position >= 0),
    previous_sha256   bytea CHECK (length(previous_sha256) = 32),   -- of the released package of the month before
    supersedes_sha256 bytea CHECK (length(supersedes_sha256) = 32), -- of the revision before
    file_name         text NOT NULL CHECK (file_name ~ '^[A-Za-z0-9_-]+\.zip$'),
    sha256            bytea NOT NULL CHECK (length(sha256) = 32),
    bytes_count       bigint NOT NULL CHECK (bytes_count > 0),
    cumulative        text NOT NULL, -- what stands at the position, by measure
    built_at          timestamptz NOT NULL,
    built_by_token    uuid,
    built_by_person_id uuid,
    built_by          text CHECK (length(built_by) BETWEEN 1 AND 120),
    released_at       timestamptz,
    released_by_token uuid,
    released_by_person_id uuid,
    released_by       text CHECK (length(released_by) BETWEEN 1 AND 120),
    PRIMARY KEY (program_id, month, fund_source, revision),
    -- Building again at one position gives the same revision.
    CONSTRAINT month_package_once UNIQUE NULLS NOT DISTINCT (program_id, month, fund_source, position, finished, previous_position, previous_sha256),
    CONSTRAINT month_package_names_what_it_replaces CHECK ((revision = 1) = (supersedes_sha256 IS NULL)),
    CONSTRAINT month_package_released_whole CHECK ((released_at IS NULL) = (released_by IS NULL)
        AND (state <> 'released' OR released_at IS NOT NULL) AND (state IN ('released', 'superseded') OR released_at IS NULL)),
    CONSTRAINT month_package_released_when_finished CHECK (released_at IS NULL OR finished),
    -- A null comparison lets a CHECK pass, so both people are asked for as well.
    CONSTRAINT month_package_two_people CHECK (released_at IS NULL
        OR built_by_person_id IS NOT NULL AND released_by_person_id IS NOT NULL AND built_by_person_id <> released_by_person_id)
);
-- At most one revision of a month and fund is in force.
CREATE UNIQUE INDEX month_package_released ON month_package (program_id, month, fund_source) WHERE state = 'released';

CREATE TABLE month_package_part (
    program_id uuid NOT NULL,
    month      text NOT NULL,
    fund_source text NOT NULL,
    revision   integer NOT NULL,
    part       integer NOT NULL CHECK (part >= 0),
    bytes      bytea NOT NULL CHECK (length(bytes) BETWEEN 1 AND 1048576),
    PRIMARY KEY (program_id, month, fund_source, revision, part),
    CONSTRAINT month_package_part_of FOREIGN KEY (program_id, month, fund_source, revision) REFERENCES month_package (program_id, month, fund_source, revision)
);
-- Zip does not compress twice.
ALTER TABLE month_package_part ALTER COLUMN bytes SET STORAGE EXTERNAL;

-- Packages that are being built.
--
-- One row a month and fund, so that many who ask at once get one build. It stands from
-- the asking until the stored file was verified, or as the last failure until
-- somebody asks again. What the build is of never changes.
CREATE TABLE month_build (
    program_id     uuid NOT NULL REFERENCES program,
    month          text NOT NULL CHECK (month ~ '^\d{4}-\d{2}$'),
    fund_source    text NOT NULL,
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
    asked_by_person_id uuid,
    asked_by       text CHECK (length(asked_by) BETWEEN 1 AND 120),
    started_at     timestamptz,
    updated_at     timestamptz NOT NULL,
    failure        text,
    PRIMARY KEY (program_id, month, fund_source),
    CONSTRAINT month_build_says_why_it_failed CHECK ((state = 'failed') = (failure IS NOT NULL))
);

-- Whoever builds a package keeps its row here locked, on a connection of its
-- own, and says in month_build how far it is: a lock ends with its session.
CREATE TABLE month_build_lock (
    program_id  uuid NOT NULL REFERENCES program,
    month       text NOT NULL,
    fund_source text NOT NULL,
    PRIMARY KEY (program_id, month, fund_source)
);

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
    published_by_person_id uuid,
    published_by   text CHECK (length(published_by) BETWEEN 1 AND 120),
    PRIMARY KEY (program_id, publication_id),
    -- Publishing again at one position is the same publication.
    CONSTRAINT performance_publication_once UNIQUE (program_id, from_on, before_on, position, method_version),
    CONSTRAINT performance_publication_period CHECK (from_on < before_on),
    CONSTRAINT performance_publication_at_or_before_head CHECK (position <= head_position)
);
-- A program's rows are invisible to every other program, even to the owner
-- of the tables. program_head alone may be read across programs: it holds
-- numbers, and loops start from it and then set one program at a time.
DO $$
DECLARE
    t name;
BEGIN
    FOR t IN SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' AND relname <> 'schema_migrations'
    LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', t);
        EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', t);
        EXECUTE format('CREATE POLICY of_program ON %I USING (program_id = current_program()) WITH CHECK (program_id = current_program())', t);
        -- The owner may read all rows, so that pg_dump with --enable-row-security
        -- needs no superuser; writing stays bound to one program, for the owner too.
        EXECUTE format('CREATE POLICY of_owner ON %I FOR SELECT TO CURRENT_USER USING (true)', t);
    END LOOP;
END
$$;
CREATE POLICY head_of_any_program ON program_head FOR SELECT USING (true);
-- The newest version ends once: nothing of an entry that has ended changes again.
CREATE POLICY newest_ends_once ON entry AS RESTRICTIVE FOR UPDATE
    USING (until_position IS NULL) WITH CHECK (until_position IS NOT NULL AND match IS NULL);

GRANT USAGE ON SCHEMA public TO ductledger_app;
-- Append-only: what was written can be read.
GRANT SELECT, INSERT ON entry, audit, program, inspection_seed, month_package, month_package_part, performance_publication TO ductledger_app;
GRANT UPDATE (until_position, match) ON entry TO ductledger_app;
-- A text is written once and can be erased.
GRANT SELECT, INSERT, DELETE ON entry_text TO ductledger_app;
GRANT SELECT, INSERT, UPDATE ON program_head, device, waiting_home, job, job_scope, job_result, inspection_draw, held, picture TO ductledger_app;
GRANT SELECT, INSERT, DELETE ON job_instrument, word, picture_band, picture_like TO ductledger_app;
GRANT SELECT, INSERT, UPDATE, DELETE ON resident, month_build TO ductledger_app;
-- To lock a row takes the right to change a column of it.
GRANT SELECT, INSERT, UPDATE (month) ON month_build_lock TO ductledger_app;
-- What a package says of itself is written once; only its way to the funder moves on.
GRANT UPDATE (state, built_by, built_by_token, built_by_person_id, released_at, released_by, released_by_token, released_by_person_id) ON month_package TO ductledger_app;
-- Who holds a credential, and what it may do, stands for good.
GRANT SELECT, INSERT ON person, token, one_use TO ductledger_app;
GRANT UPDATE (role, contractor_id, password, password_at, account, ended_at) ON person TO ductledger_app;
GRANT UPDATE (seen_at, revoked_at) ON token TO ductledger_app;
GRANT UPDATE (used_at) ON one_use TO ductledger_app;
GRANT SELECT ON record TO ductledger_app;
-- Which version the schema has.
GRANT SELECT ON schema_migrations TO ductledger_app;
