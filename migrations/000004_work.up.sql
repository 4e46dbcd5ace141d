-- The work of a job. Lists by job run over record_head, which knows the job of
-- every record, so the tables below carry no second index for it.

CREATE TABLE job (
    program_id    uuid NOT NULL REFERENCES program,
    id            uuid NOT NULL,
    version       bigint NOT NULL CHECK (version > 0),
    void          boolean NOT NULL,
    home_id       uuid NOT NULL,
    contractor_id uuid NOT NULL,
    pay_basis     text NOT NULL CHECK (pay_basis IN ('deemed', 'measured')),
    state         text NOT NULL CHECK (state IN ('assigned', 'in_work', 'sent_in', 'returned', 'accepted', 'deferred')),
    outcome       text CHECK (outcome IN ('completed', 'partial', 'deferred', 'not_suitable', 'refused', 'nothing_to_do')),
    fund_source   text,
    due_on        date,
    late_count    integer NOT NULL DEFAULT 0 CHECK (late_count >= 0),
    PRIMARY KEY (program_id, id),
    CONSTRAINT job_of_home FOREIGN KEY (program_id, home_id) REFERENCES home (program_id, id),
    CONSTRAINT job_of_contractor FOREIGN KEY (program_id, contractor_id) REFERENCES contractor (program_id, id),
    CONSTRAINT job_sent_in_has_outcome CHECK (state NOT IN ('sent_in', 'accepted') OR outcome IS NOT NULL)
);
CREATE INDEX job_by_home ON job (program_id, home_id, id);
CREATE INDEX job_by_contractor ON job (program_id, contractor_id, id);
CREATE INDEX job_by_state ON job (program_id, state, id);

CREATE TABLE call_back (
    program_id  uuid NOT NULL REFERENCES program,
    id          uuid NOT NULL,
    version     bigint NOT NULL CHECK (version > 0),
    void        boolean NOT NULL,
    job_id      uuid NOT NULL,
    reported_on date NOT NULL,
    closed_on   date,
    at_fault    text,
    PRIMARY KEY (program_id, id),
    CONSTRAINT call_back_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id),
    CONSTRAINT call_back_closes_after_report CHECK (closed_on >= reported_on)
);

CREATE TABLE visit (
    program_id   uuid NOT NULL REFERENCES program,
    id           uuid NOT NULL,
    version      bigint NOT NULL CHECK (version > 0),
    void         boolean NOT NULL,
    job_id       uuid NOT NULL,
    visited_on   date NOT NULL,
    lead_id      uuid,
    call_back_id uuid,
    arrived_at   timestamptz,
    left_at      timestamptz,
    PRIMARY KEY (program_id, id),
    CONSTRAINT visit_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id),
    CONSTRAINT visit_led_by FOREIGN KEY (program_id, lead_id) REFERENCES crew_member (program_id, id),
    CONSTRAINT visit_of_call_back FOREIGN KEY (program_id, call_back_id) REFERENCES call_back (program_id, id),
    CONSTRAINT visit_left_after_arrival CHECK (left_at >= arrived_at)
);

CREATE TABLE component (
    program_id       uuid NOT NULL REFERENCES program,
    id               uuid NOT NULL,
    version          bigint NOT NULL CHECK (version > 0),
    void             boolean NOT NULL,
    job_id           uuid NOT NULL,
    component        text NOT NULL,
    section          text CHECK (section IN ('A', 'B', 'C')),
    number           integer CHECK (number > 0),
    position_ft      numeric CHECK (position_ft >= 0 AND position_ft <> 'NaN'),
    start_ft         numeric CHECK (start_ft >= 0 AND start_ft <> 'NaN'),
    end_ft           numeric,
    inside_width_in  numeric CHECK (inside_width_in > 0 AND inside_width_in <> 'NaN'),
    inside_height_in numeric CHECK (inside_height_in > 0 AND inside_height_in <> 'NaN'),
    PRIMARY KEY (program_id, id),
    CONSTRAINT component_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id),
    CONSTRAINT component_ends_after_start CHECK (end_ft > start_ft)
);

CREATE TABLE crossover (
    program_id    uuid NOT NULL REFERENCES program,
    id            uuid NOT NULL,
    version       bigint NOT NULL CHECK (version > 0),
    void          boolean NOT NULL,
    job_id        uuid NOT NULL,
    from_section  text NOT NULL,
    to_section    text NOT NULL,
    crossover     text NOT NULL,
    action        text,
    taken_down_at timestamptz,
    clearance_in  numeric CHECK (clearance_in >= 0 AND clearance_in <> 'NaN'),
    PRIMARY KEY (program_id, id),
    CONSTRAINT crossover_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id),
    CONSTRAINT crossover_joins_two_sections CHECK (from_section <> to_section)
);

CREATE TABLE opening (
    program_id  uuid NOT NULL REFERENCES program,
    id          uuid NOT NULL,
    version     bigint NOT NULL CHECK (version > 0),
    void        boolean NOT NULL,
    job_id      uuid NOT NULL,
    place       text NOT NULL CHECK (place IN ('wrap', 'duct')),
    origin      text NOT NULL CHECK (origin IN ('crew', 'found', 'found_enlarged')),
    section     text CHECK (section IN ('A', 'B', 'C')),
    position_ft numeric CHECK (position_ft >= 0 AND position_ft <> 'NaN'),
    made_at     timestamptz,
    closed_at   timestamptz,
    PRIMARY KEY (program_id, id),
    CONSTRAINT opening_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id),
    CONSTRAINT opening_closes_after_it_was_made CHECK (closed_at >= made_at)
);

CREATE TABLE repair (
    program_id    uuid NOT NULL REFERENCES program,
    id            uuid NOT NULL,
    version       bigint NOT NULL CHECK (version > 0),
    void          boolean NOT NULL,
    job_id        uuid NOT NULL,
    repair        text NOT NULL,
    component_ids uuid[] CHECK (cardinality(component_ids) BETWEEN 1 AND 40),
    crossover_id  uuid,
    member_id     uuid,
    done_at       timestamptz NOT NULL,
    widest_gap_in numeric CHECK (widest_gap_in > 0 AND widest_gap_in <> 'NaN'),
    PRIMARY KEY (program_id, id),
    CONSTRAINT repair_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id),
    CONSTRAINT repair_of_crossover FOREIGN KEY (program_id, crossover_id) REFERENCES crossover (program_id, id),
    CONSTRAINT repair_by_member FOREIGN KEY (program_id, member_id) REFERENCES crew_member (program_id, id)
);

CREATE TABLE energy_isolation (
    program_id     uuid NOT NULL REFERENCES program,
    id             uuid NOT NULL,
    version        bigint NOT NULL CHECK (version > 0),
    void           boolean NOT NULL,
    job_id         uuid NOT NULL,
    isolated_at    timestamptz,
    verified_at    timestamptz,
    verified_by_id uuid,
    released_at    timestamptz,
    released_by_id uuid,
    points_count   integer CHECK (points_count > 0),
    PRIMARY KEY (program_id, id),
    CONSTRAINT energy_isolation_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id),
    CONSTRAINT energy_isolation_verified_by FOREIGN KEY (program_id, verified_by_id) REFERENCES crew_member (program_id, id),
    CONSTRAINT energy_isolation_released_by FOREIGN KEY (program_id, released_by_id) REFERENCES crew_member (program_id, id),
    CONSTRAINT energy_isolation_in_order CHECK (verified_at >= isolated_at AND released_at >= isolated_at)
);

CREATE TABLE measurement (
    program_id        uuid NOT NULL REFERENCES program,
    id                uuid NOT NULL,
    version           bigint NOT NULL CHECK (version > 0),
    void              boolean NOT NULL,
    job_id            uuid NOT NULL,
    method            text NOT NULL CHECK (method IN ('fan_total', 'fan_outside', 'subtraction', 'pan')),
    stage             text NOT NULL CHECK (stage IN ('before', 'interim', 'after', 'inspection')),
    instrument_id     uuid NOT NULL,
    taken_at          timestamptz NOT NULL,
    pressures_pa      numeric[] NOT NULL,
    flows_cfm         numeric[] NOT NULL,
    pans_pa           numeric[] NOT NULL,
    house_pressure_pa numeric CHECK (house_pressure_pa <> 'NaN'),
    replaces          uuid CONSTRAINT measurement_replaces_check CHECK (replaces <> id),
    PRIMARY KEY (program_id, id),
    CONSTRAINT measurement_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id),
    CONSTRAINT measurement_by_instrument FOREIGN KEY (program_id, instrument_id) REFERENCES instrument (program_id, id),
    CONSTRAINT measurement_replaces_one FOREIGN KEY (program_id, replaces) REFERENCES measurement (program_id, id),
    CONSTRAINT measurement_pressures_are_positive CHECK (0 < ALL (pressures_pa) AND 'NaN' <> ALL (pressures_pa)),
    CONSTRAINT measurement_flows_are_positive CHECK (0 < ALL (flows_cfm) AND 'NaN' <> ALL (flows_cfm)),
    CONSTRAINT measurement_pans_are_not_negative CHECK (0 <= ALL (pans_pa) AND 'NaN' <> ALL (pans_pa))
);
-- A new calibration judges again the open jobs that used the instrument.
CREATE INDEX measurement_by_instrument_id ON measurement (program_id, instrument_id);
CREATE INDEX measurement_by_replaced ON measurement (program_id, replaces) WHERE replaces IS NOT NULL;

CREATE TABLE photo (
    program_id  uuid NOT NULL REFERENCES program,
    id          uuid NOT NULL,
    version     bigint NOT NULL CHECK (version > 0),
    void        boolean NOT NULL,
    job_id      uuid NOT NULL,
    sha256      bytea NOT NULL CHECK (length(sha256) = 32),
    bytes_count bigint NOT NULL CHECK (bytes_count > 0),
    taken_at    timestamptz NOT NULL,
    stage       text NOT NULL CHECK (stage IN ('survey', 'before', 'check', 'after')),
    device_id   uuid,
    replaces    uuid CONSTRAINT photo_replaces_check CHECK (replaces <> id),
    PRIMARY KEY (program_id, id),
    CONSTRAINT photo_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id),
    CONSTRAINT photo_by_device FOREIGN KEY (program_id, device_id) REFERENCES device (program_id, id),
    CONSTRAINT photo_replaces_one FOREIGN KEY (program_id, replaces) REFERENCES photo (program_id, id)
);
-- The same picture on two homes is a question; this finds it.
CREATE INDEX photo_by_digest ON photo (program_id, sha256);

CREATE TABLE review (
    program_id uuid NOT NULL REFERENCES program,
    id         uuid NOT NULL,
    version    bigint NOT NULL CHECK (version > 0),
    void       boolean NOT NULL,
    job_id     uuid NOT NULL,
    decision   text NOT NULL,
    PRIMARY KEY (program_id, id),
    CONSTRAINT review_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id)
);

CREATE TABLE waiver (
    program_id uuid NOT NULL REFERENCES program,
    id         uuid NOT NULL,
    version    bigint NOT NULL CHECK (version > 0),
    void       boolean NOT NULL,
    job_id     uuid NOT NULL,
    rule       text NOT NULL,
    reason     text NOT NULL CHECK (reason <> ''),
    PRIMARY KEY (program_id, id),
    CONSTRAINT waiver_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id)
);

CREATE TABLE inspection (
    program_id   uuid NOT NULL REFERENCES program,
    id           uuid NOT NULL,
    version      bigint NOT NULL CHECK (version > 0),
    void         boolean NOT NULL,
    job_id       uuid NOT NULL,
    purpose      text NOT NULL,
    inspected_on date NOT NULL,
    result       text NOT NULL,
    PRIMARY KEY (program_id, id),
    CONSTRAINT inspection_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id)
);

-- Which jobs an inspector may see: drawn for inspection, until it is finished.
CREATE TABLE inspection_draw (
    program_id uuid NOT NULL,
    job_id     uuid NOT NULL,
    granted_position bigint NOT NULL CHECK (granted_position > 0),
    drawn_at   timestamptz NOT NULL,
    closed_at  timestamptz CHECK (closed_at >= drawn_at),
    PRIMARY KEY (program_id, job_id),
    CONSTRAINT inspection_draw_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id)
);
