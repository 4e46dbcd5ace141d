-- The key with which the service seals what it tells of a program's history:
-- nobody else can make a cursor or a receipt. It stands where row security hides
-- it from other programs. Locks: program, for a rewrite of its few rows.
ALTER TABLE program ADD COLUMN history_key bytea NOT NULL
    DEFAULT sha256(uuid_send(gen_random_uuid()) || uuid_send(gen_random_uuid())) CHECK (length(history_key) = 32);
