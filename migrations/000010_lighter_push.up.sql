-- Which program a row belongs to is held by its key to the job, which names
-- the program and is held by it in turn; a head stands beside its entry in
-- the ledger, which keeps its own key. A second check of each row against the
-- program cost a push more than any other statement of it and locked the
-- program's row once a record. Each ALTER locks its table and program for a
-- moment and reads no row; code before and after it runs with it and without.
ALTER TABLE record_head DROP CONSTRAINT record_head_program_id_fkey;
ALTER TABLE call_back DROP CONSTRAINT call_back_program_id_fkey;
ALTER TABLE visit DROP CONSTRAINT visit_program_id_fkey;
ALTER TABLE component DROP CONSTRAINT component_program_id_fkey;
ALTER TABLE crossover DROP CONSTRAINT crossover_program_id_fkey;
ALTER TABLE opening DROP CONSTRAINT opening_program_id_fkey;
ALTER TABLE repair DROP CONSTRAINT repair_program_id_fkey;
ALTER TABLE energy_isolation DROP CONSTRAINT energy_isolation_program_id_fkey;
ALTER TABLE measurement DROP CONSTRAINT measurement_program_id_fkey;
ALTER TABLE photo DROP CONSTRAINT photo_program_id_fkey;
ALTER TABLE review DROP CONSTRAINT review_program_id_fkey;
ALTER TABLE waiver DROP CONSTRAINT waiver_program_id_fkey;
ALTER TABLE inspection DROP CONSTRAINT inspection_program_id_fkey;

-- What a replay compares stands in the ledger; a second copy of it stood here.
-- A job's heads are read whole: without the position in their index a head that
-- moves on stays on its page and touches no index. The index is built while its
-- table is locked against writes, seconds for a million rows. Code from before
-- this file writes the column and has to be stopped first.
ALTER TABLE record_head DROP COLUMN sent_digest;
DROP INDEX record_head_of_job;
CREATE INDEX record_head_of_job ON record_head (program_id, job_id) WHERE job_id IS NOT NULL;
