package storage

const credentialInsertSQL = `
INSERT INTO credential (program_id, id, version, void,
    crew_member_id, contractor_id, credential, valid_from_on, valid_until_on)
SELECT @program_id, f.id, f.version, f.void,
    f.crew_member_id, f.contractor_id, f.credential, f.valid_from_on, f.valid_until_on
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    crew_member_id uuid, contractor_id uuid, credential text, valid_from_on date, valid_until_on date)`

const credentialUpsertSQL = credentialInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    crew_member_id = excluded.crew_member_id, contractor_id = excluded.contractor_id,
    credential = excluded.credential, valid_from_on = excluded.valid_from_on,
    valid_until_on = excluded.valid_until_on
WHERE credential.version < excluded.version`
