package storage

const trainingEventInsertSQL = `
INSERT INTO training_event (program_id, id, version, void,
    crew_member_id, held_on, topic, rules)
SELECT @program_id, f.id, f.version, f.void,
    f.crew_member_id, f.held_on, f.topic, f.rules
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    crew_member_id uuid, held_on date, topic text, rules text[])`

const trainingEventUpsertSQL = trainingEventInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    crew_member_id = excluded.crew_member_id, held_on = excluded.held_on, topic = excluded.topic,
    rules = excluded.rules
WHERE training_event.version < excluded.version`
