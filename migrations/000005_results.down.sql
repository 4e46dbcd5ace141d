DROP TABLE job_result;
