DROP TABLE month_package_part, month_package;
