ALTER TABLE report ADD COLUMN aside TEXT;
ALTER TABLE report ADD COLUMN named_from TEXT;
UPDATE report SET aside = CASE WHEN note LIKE 'withdrawn%' THEN 'withdrawn' ELSE 'person' END
    WHERE state = 'set-aside';
CREATE INDEX report_of_specimen ON report (specimen, day) WHERE specimen IS NOT NULL;
ALTER TABLE message ADD COLUMN aside TEXT;
ALTER TABLE message ADD COLUMN told TEXT;
ALTER TABLE message ADD COLUMN owes BIGINT NOT NULL DEFAULT 0;
CREATE INDEX message_owed ON message (n) WHERE owes = 1
