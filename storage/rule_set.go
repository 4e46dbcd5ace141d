package storage

const ruleSetInsertSQL = `
INSERT INTO rule_set (program_id, id, version, void,
    name, from_on, pay_basis, accept_needs)
SELECT @program_id, f.id, f.version, f.void,
    f.name, f.from_on, f.pay_basis, f.accept_needs
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    name text, from_on date, pay_basis text, accept_needs text)`

const ruleSetUpsertSQL = ruleSetInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    name = excluded.name, from_on = excluded.from_on, pay_basis = excluded.pay_basis,
    accept_needs = excluded.accept_needs
WHERE rule_set.version < excluded.version`
