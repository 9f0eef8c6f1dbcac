CREATE TABLE ledger_label (
    epoch TEXT NOT NULL,
    made_at BIGINT NOT NULL
);
CREATE TABLE counter (
    name TEXT PRIMARY KEY,
    value BIGINT NOT NULL
);
CREATE TABLE report (
    n BIGINT PRIMARY KEY,
    tape TEXT NOT NULL,
    analyzer TEXT NOT NULL,
    place_from BIGINT NOT NULL,
    place_to BIGINT NOT NULL,
    part BIGINT NOT NULL,
    number TEXT,
    class TEXT NOT NULL,
    level TEXT,
    specimen TEXT,
    given TEXT,
    day TEXT NOT NULL,
    taken_at TEXT,
    heard_at BIGINT NOT NULL,
    state TEXT NOT NULL,
    identity TEXT NOT NULL,
    repeat_of BIGINT,
    strip TEXT NOT NULL,
    control_sign BIGINT NOT NULL,
    print TEXT NOT NULL,
    readings TEXT NOT NULL,
    filler TEXT NOT NULL,
    note TEXT,
    UNIQUE (tape, analyzer, place_from, part)
);
CREATE INDEX report_by_day ON report (analyzer, day, number);
CREATE INDEX report_by_state ON report (state, n) WHERE state = 'held';
CREATE TABLE hold (
    report BIGINT NOT NULL,
    ix BIGINT NOT NULL,
    reason TEXT NOT NULL,
    detail TEXT NOT NULL,
    line BIGINT,
    cleared_at BIGINT,
    PRIMARY KEY (report, ix)
);
CREATE TABLE message (
    n BIGINT PRIMARY KEY,
    control_id TEXT NOT NULL UNIQUE,
    receiver TEXT NOT NULL,
    report BIGINT NOT NULL,
    state TEXT NOT NULL,
    body BLOB NOT NULL,
    made_at BIGINT NOT NULL,
    attempts BIGINT NOT NULL,
    next_attempt_at BIGINT,
    reason TEXT,
    detail TEXT,
    answer BLOB,
    settled_at BIGINT,
    put_by BIGINT NOT NULL
);
CREATE INDEX message_waiting ON message (receiver, n) WHERE state = 'waiting';
CREATE INDEX message_of_report ON message (report);
CREATE TABLE position (
    tape TEXT NOT NULL,
    analyzer TEXT NOT NULL,
    entry BIGINT NOT NULL,
    PRIMARY KEY (tape, analyzer)
);
CREATE TABLE sequence (
    analyzer TEXT NOT NULL,
    day TEXT NOT NULL,
    mark TEXT NOT NULL,
    last BIGINT NOT NULL,
    PRIMARY KEY (analyzer, day, mark)
);
CREATE TABLE absent (
    analyzer TEXT NOT NULL,
    day TEXT NOT NULL,
    number TEXT NOT NULL,
    class TEXT NOT NULL,
    state TEXT NOT NULL,
    noticed_at BIGINT NOT NULL,
    PRIMARY KEY (analyzer, day, number)
);
CREATE TABLE receiver (
    id TEXT PRIMARY KEY,
    paused BIGINT NOT NULL,
    stopped BIGINT NOT NULL,
    detail TEXT
);
CREATE TABLE trail (
    n BIGINT PRIMARY KEY,
    at BIGINT NOT NULL,
    who TEXT NOT NULL,
    login TEXT NOT NULL,
    verb TEXT NOT NULL,
    object TEXT NOT NULL,
    reason TEXT,
    was TEXT,
    became TEXT
)
