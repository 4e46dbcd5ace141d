DROP TABLE held, job_scope, record_head, ledger;
