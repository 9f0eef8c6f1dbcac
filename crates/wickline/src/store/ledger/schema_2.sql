CREATE TABLE lease (
    name TEXT PRIMARY KEY,
    holder TEXT,
    token BIGINT NOT NULL,
    beat BIGINT NOT NULL
);
ALTER TABLE ledger_label ADD COLUMN moved_to TEXT;
ALTER TABLE report ADD COLUMN unsent BIGINT NOT NULL DEFAULT 0;
UPDATE report SET unsent = 1 WHERE state = 'waiting'
    AND NOT EXISTS (SELECT 1 FROM message WHERE message.report = report.n);
CREATE INDEX report_unsent ON report (n) WHERE unsent = 1;
DROP INDEX message_waiting;
CREATE INDEX message_open ON message (receiver, state, put_by, n) WHERE state <> 'accepted';
CREATE INDEX message_settled ON message (receiver, settled_at, state, n) WHERE settled_at IS NOT NULL
