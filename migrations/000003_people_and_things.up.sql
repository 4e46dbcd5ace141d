-- Typed tables: the newest version of each record with what constraints, lists
-- and joins need. What is answered and judged is the ledger's body.

CREATE TABLE rule_set (
    program_id   uuid NOT NULL REFERENCES program,
    id           uuid NOT NULL,
    version      bigint NOT NULL CHECK (version > 0),
    void         boolean NOT NULL,
    name         text NOT NULL,
    from_on      date NOT NULL,
    pay_basis    text CHECK (pay_basis IN ('deemed', 'measured')),
    accept_needs text CHECK (accept_needs IN ('review', 'final_inspection')),
    PRIMARY KEY (program_id, id)
);
-- Two sets cannot begin on one day: a job is judged by one.
CREATE UNIQUE INDEX rule_set_one_a_day ON rule_set (program_id, from_on) WHERE NOT void;

CREATE TABLE contractor (
    program_id uuid NOT NULL REFERENCES program,
    id         uuid NOT NULL,
    version    bigint NOT NULL CHECK (version > 0),
    void       boolean NOT NULL,
    name       text NOT NULL CHECK (name <> ''),
    started_on date,
    ended_on   date,
    PRIMARY KEY (program_id, id),
    CONSTRAINT contractor_ends_after_start CHECK (ended_on >= started_on)
);

CREATE TABLE crew_member (
    program_id    uuid NOT NULL REFERENCES program,
    id            uuid NOT NULL,
    version       bigint NOT NULL CHECK (version > 0),
    void          boolean NOT NULL,
    contractor_id uuid NOT NULL,
    name          text NOT NULL CHECK (name <> ''),
    homes_led_before_count integer CHECK (homes_led_before_count >= 0),
    left_on       date,
    PRIMARY KEY (program_id, id),
    CONSTRAINT crew_member_of_contractor FOREIGN KEY (program_id, contractor_id) REFERENCES contractor (program_id, id)
);
CREATE INDEX crew_member_by_contractor ON crew_member (program_id, contractor_id, id);

CREATE TABLE credential (
    program_id     uuid NOT NULL REFERENCES program,
    id             uuid NOT NULL,
    version        bigint NOT NULL CHECK (version > 0),
    void           boolean NOT NULL,
    crew_member_id uuid,
    contractor_id  uuid,
    credential     text NOT NULL,
    valid_from_on  date NOT NULL,
    valid_until_on date,
    PRIMARY KEY (program_id, id),
    CONSTRAINT credential_of_member FOREIGN KEY (program_id, crew_member_id) REFERENCES crew_member (program_id, id),
    CONSTRAINT credential_of_contractor FOREIGN KEY (program_id, contractor_id) REFERENCES contractor (program_id, id),
    CONSTRAINT credential_has_one_holder CHECK ((crew_member_id IS NULL) <> (contractor_id IS NULL)),
    CONSTRAINT credential_ends_after_start CHECK (valid_until_on >= valid_from_on)
);
CREATE INDEX credential_by_end ON credential (program_id, valid_until_on);
CREATE INDEX credential_by_contractor ON credential (program_id, contractor_id, id);

CREATE TABLE training_event (
    program_id     uuid NOT NULL REFERENCES program,
    id             uuid NOT NULL,
    version        bigint NOT NULL CHECK (version > 0),
    void           boolean NOT NULL,
    crew_member_id uuid NOT NULL,
    held_on        date NOT NULL,
    topic          text NOT NULL,
    rules          text[],
    PRIMARY KEY (program_id, id),
    CONSTRAINT training_event_of_member FOREIGN KEY (program_id, crew_member_id) REFERENCES crew_member (program_id, id)
);
CREATE INDEX training_event_by_member ON training_event (program_id, crew_member_id, held_on);

CREATE TABLE instrument (
    program_id          uuid NOT NULL REFERENCES program,
    id                  uuid NOT NULL,
    version             bigint NOT NULL CHECK (version > 0),
    void                boolean NOT NULL,
    contractor_id       uuid,
    instrument          text NOT NULL,
    serial              text NOT NULL CHECK (serial <> ''),
    calibrated_on       date,
    calibrated_until_on date,
    PRIMARY KEY (program_id, id),
    CONSTRAINT instrument_of_contractor FOREIGN KEY (program_id, contractor_id) REFERENCES contractor (program_id, id),
    CONSTRAINT instrument_calibration_ends_after_start CHECK (calibrated_until_on >= calibrated_on)
);
CREATE INDEX instrument_by_contractor ON instrument (program_id, contractor_id, id);

CREATE TABLE device (
    program_id    uuid NOT NULL REFERENCES program,
    id            uuid NOT NULL,
    version       bigint NOT NULL CHECK (version > 0),
    void          boolean NOT NULL,
    contractor_id uuid,
    name          text NOT NULL,
    state         text NOT NULL CHECK (state IN ('active', 'closing', 'revoked')),
    PRIMARY KEY (program_id, id),
    CONSTRAINT device_of_contractor FOREIGN KEY (program_id, contractor_id) REFERENCES contractor (program_id, id)
);
CREATE INDEX device_by_contractor ON device (program_id, contractor_id, id);

ALTER TABLE token
    ADD CONSTRAINT token_of_contractor FOREIGN KEY (program_id, contractor_id) REFERENCES contractor (program_id, id),
    ADD CONSTRAINT token_of_device FOREIGN KEY (program_id, device_id) REFERENCES device (program_id, id);

-- What a device told of itself, and how far it has read. Not part of its record.
CREATE TABLE device_sign (
    program_id            uuid NOT NULL,
    device_id             uuid NOT NULL,
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
    PRIMARY KEY (program_id, device_id),
    CONSTRAINT device_sign_of_device FOREIGN KEY (program_id, device_id) REFERENCES device (program_id, id)
);

CREATE TABLE home (
    program_id        uuid NOT NULL REFERENCES program,
    id                uuid NOT NULL,
    version           bigint NOT NULL CHECK (version > 0),
    void              boolean NOT NULL,
    section_count     integer NOT NULL CHECK (section_count BETWEEN 1 AND 3),
    joist_direction   text CHECK (joist_direction IN ('lengthwise', 'crosswise')),
    furnace_kind      text,
    furnace_position_ft numeric CHECK (furnace_position_ft >= 0),
    furnace_access    text,
    wrap_kind         text,
    floor_area_ft2    numeric CHECK (floor_area_ft2 > 0 AND floor_area_ft2 <> 'NaN'),
    elevation_ft      numeric CHECK (elevation_ft <> 'NaN'),
    year_built        integer,
    park              text,
    PRIMARY KEY (program_id, id)
);

-- The one thing that is overwritten and can be erased. Seen by the crew of an
-- assigned open job and by staff; leaves in no package, log or error.
CREATE TABLE resident (
    program_id uuid NOT NULL,
    home_id    uuid NOT NULL,
    revision   bigint NOT NULL CHECK (revision > 0),
    name       text,
    phone      text,
    street     text,
    PRIMARY KEY (program_id, home_id),
    CONSTRAINT resident_of_home FOREIGN KEY (program_id, home_id) REFERENCES home (program_id, id)
);
