ALTER TABLE message RENAME COLUMN put_by TO kept_back;
ALTER TABLE message RENAME COLUMN heeds TO built_on;
ALTER TABLE message RENAME COLUMN perhaps TO maybe_sent
