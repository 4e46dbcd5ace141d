DROP TABLE month_build;
