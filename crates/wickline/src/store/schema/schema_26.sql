DROP INDEX report_of_day;
CREATE INDEX report_of_day ON report (day, n, analyzer, class, state, unsent, heard_at);
ALTER TABLE message ADD COLUMN urgent BIGINT NOT NULL DEFAULT 0;
UPDATE message SET urgent = 1 WHERE state <> 'accepted'
    AND report IN (SELECT n FROM report WHERE class = 'stat');
CREATE INDEX message_urgent ON message (state, n) WHERE urgent = 1 AND state <> 'accepted'
