-- Days agreed on with residents. Locks: job, for a moment.
ALTER TYPE record_kind ADD VALUE 'appointment' BEFORE 'call_back';
CREATE TABLE appointment (
    program_id uuid NOT NULL,
    id         uuid NOT NULL,
    version    bigint NOT NULL CHECK (version > 0),
    void       boolean NOT NULL,
    job_id     uuid NOT NULL,
    planned_on date NOT NULL,
    state      text NOT NULL,
    PRIMARY KEY (program_id, id),
    CONSTRAINT appointment_of_job FOREIGN KEY (program_id, job_id) REFERENCES job (program_id, id)
);
ALTER TABLE appointment ENABLE ROW LEVEL SECURITY;
ALTER TABLE appointment FORCE ROW LEVEL SECURITY;
CREATE POLICY of_program ON appointment USING (program_id = current_program()) WITH CHECK (program_id = current_program());
CREATE POLICY of_owner ON appointment FOR SELECT TO CURRENT_USER USING (true);
GRANT SELECT, INSERT, UPDATE ON appointment TO ductledger_app;
