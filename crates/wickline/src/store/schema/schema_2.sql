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
DROP INDEX message_of_report;
ALTER TABLE message RENAME TO message_1;
CREATE TABLE message (
    n ROWKEY,
    control_id TEXT NOT NULL UNIQUE,
    receiver TEXT NOT NULL,
    report BIGINT NOT NULL,
    state TEXT NOT NULL,
    made_at BIGINT NOT NULL,
    attempts BIGINT NOT NULL,
    next_attempt_at BIGINT,
    reason TEXT,
    detail TEXT,
    answer BLOB,
    settled_at BIGINT,
    put_by BIGINT NOT NULL
);
CREATE TABLE message_body (
    n ROWKEY,
    body BLOB NOT NULL
);
INSERT INTO message (n, control_id, receiver, report, state, made_at, attempts, next_attempt_at, reason,
    detail, answer, settled_at, put_by)
    SELECT n, control_id, receiver, report, state, made_at, attempts, next_attempt_at, reason,
    detail, answer, settled_at, put_by FROM message_1;
INSERT INTO message_body (n, body) SELECT n, body FROM message_1;
DROP TABLE message_1;
CREATE INDEX message_of_report ON message (report);
CREATE INDEX message_open ON message (receiver, state, put_by, n) WHERE state <> 'accepted';
CREATE INDEX message_settled ON message (receiver, settled_at, state, n) WHERE settled_at IS NOT NULL
