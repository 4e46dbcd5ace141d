DROP VIEW record;
DROP TABLE performance_publication, month_build, month_build_lock, month_package_part, month_package, job_result, inspection_seed, inspection_draw, picture_like, picture_band, picture,
    job_instrument, waiting_home, job_scope, job, word, resident, held, one_use, token, device, person, audit, entry_text, entry, program_head, program;
DROP FUNCTION current_program();
