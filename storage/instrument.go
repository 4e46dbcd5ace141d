package storage

const instrumentInsertSQL = `
INSERT INTO instrument (program_id, id, version, void,
    contractor_id, instrument, serial, calibrated_on, calibrated_until_on)
SELECT @program_id, f.id, f.version, f.void,
    f.contractor_id, f.instrument, f.serial, f.calibrated_on, f.calibrated_until_on
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    contractor_id uuid, instrument text, serial text, calibrated_on date, calibrated_until_on date)`

const instrumentUpsertSQL = instrumentInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    contractor_id = excluded.contractor_id, instrument = excluded.instrument, serial = excluded.serial,
    calibrated_on = excluded.calibrated_on, calibrated_until_on = excluded.calibrated_until_on
WHERE instrument.version < excluded.version`
