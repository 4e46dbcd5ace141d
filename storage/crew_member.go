package storage

const crewMemberInsertSQL = `
INSERT INTO crew_member (program_id, id, version, void,
    contractor_id, name, homes_led_before_count, left_on)
SELECT @program_id, f.id, f.version, f.void,
    f.contractor_id, f.name, f.homes_led_before_count, f.left_on
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    contractor_id uuid, name text, homes_led_before_count integer, left_on date)`

const crewMemberUpsertSQL = crewMemberInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    contractor_id = excluded.contractor_id, name = excluded.name,
    homes_led_before_count = excluded.homes_led_before_count, left_on = excluded.left_on
WHERE crew_member.version < excluded.version`
