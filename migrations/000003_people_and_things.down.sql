DROP TABLE resident, home, device_sign;
ALTER TABLE token DROP CONSTRAINT token_of_contractor, DROP CONSTRAINT token_of_device;
DROP TABLE device, instrument, training_event, credential, crew_member, contractor, rule_set;
