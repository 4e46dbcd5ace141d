-- The funder's monthly packages. Locks: none on existing tables but the short
-- SHARE ROW EXCLUSIVE that the reference to program needs; both tables are new.
--
-- The file's bytes are kept, in parts, and not made again when somebody asks:
-- the same rows give the same bytes only with the same release of the
-- compressor, and a file that was handed out must be the same in ten years.
CREATE TABLE month_package (
    program_id        uuid NOT NULL REFERENCES program,
    month             text NOT NULL CHECK (month ~ '^\d{4}-\d{2}$'),
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
    built_by          text CHECK (length(built_by) BETWEEN 1 AND 120),
    released_at       timestamptz,
    released_by_token uuid,
    released_by       text CHECK (length(released_by) BETWEEN 1 AND 120),
    PRIMARY KEY (program_id, month, revision),
    -- Building again at one position gives the same revision.
    CONSTRAINT month_package_once UNIQUE NULLS NOT DISTINCT (program_id, month, position, finished, previous_position, previous_sha256),
    CONSTRAINT month_package_names_what_it_replaces CHECK ((revision = 1) = (supersedes_sha256 IS NULL)),
    CONSTRAINT month_package_released_whole CHECK ((released_at IS NULL) = (released_by IS NULL)
        AND (state <> 'released' OR released_at IS NOT NULL) AND (state IN ('released', 'superseded') OR released_at IS NULL)),
    CONSTRAINT month_package_released_when_finished CHECK (released_at IS NULL OR finished),
    -- A null comparison lets a CHECK pass, so the builder's name is asked for as well.
    CONSTRAINT month_package_two_people CHECK (released_by IS NULL
        OR built_by IS NOT NULL AND lower(btrim(built_by)) <> lower(btrim(released_by)))
);
-- At most one revision of a month is in force.
CREATE UNIQUE INDEX month_package_released ON month_package (program_id, month) WHERE state = 'released';

CREATE TABLE month_package_part (
    program_id uuid NOT NULL,
    month      text NOT NULL,
    revision   integer NOT NULL,
    part       integer NOT NULL CHECK (part >= 0),
    bytes      bytea NOT NULL CHECK (length(bytes) BETWEEN 1 AND 1048576),
    PRIMARY KEY (program_id, month, revision, part),
    CONSTRAINT month_package_part_of FOREIGN KEY (program_id, month, revision) REFERENCES month_package (program_id, month, revision)
);
-- Zip does not compress twice.
ALTER TABLE month_package_part ALTER COLUMN bytes SET STORAGE EXTERNAL;

ALTER TABLE month_package ENABLE ROW LEVEL SECURITY;
ALTER TABLE month_package FORCE ROW LEVEL SECURITY;
CREATE POLICY of_program ON month_package USING (program_id = current_program()) WITH CHECK (program_id = current_program());
ALTER TABLE month_package_part ENABLE ROW LEVEL SECURITY;
ALTER TABLE month_package_part FORCE ROW LEVEL SECURITY;
CREATE POLICY of_program ON month_package_part USING (program_id = current_program()) WITH CHECK (program_id = current_program());

-- What a package says of itself is written once; only its way to the funder moves on.
GRANT SELECT, INSERT ON month_package, month_package_part TO ductledger_app;
GRANT UPDATE (state, built_by, built_by_token, released_at, released_by, released_by_token) ON month_package TO ductledger_app;
