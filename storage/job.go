package storage

const jobInsertSQL = `
INSERT INTO job (program_id, id, version, void,
    home_id, contractor_id, pay_basis, state, outcome, fund_source, due_on)
SELECT @program_id, f.id, f.version, f.void,
    f.home_id, f.contractor_id, f.pay_basis, f.state, f.outcome, f.fund_source, f.due_on
FROM json_to_recordset(@rows) AS f(id uuid, version bigint, void boolean,
    home_id uuid, contractor_id uuid, pay_basis text, state text, outcome text, fund_source text, due_on date)`

const jobUpsertSQL = jobInsertSQL + `
ON CONFLICT (program_id, id) DO UPDATE SET version = excluded.version, void = excluded.void,
    home_id = excluded.home_id, contractor_id = excluded.contractor_id, pay_basis = excluded.pay_basis,
    state = excluded.state, outcome = excluded.outcome, fund_source = excluded.fund_source,
    due_on = excluded.due_on
WHERE job.version < excluded.version`
