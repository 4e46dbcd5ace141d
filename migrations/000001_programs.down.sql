DROP TABLE audit, token, program_head, program;
DROP TYPE token_role, record_kind;
DROP FUNCTION current_program();
