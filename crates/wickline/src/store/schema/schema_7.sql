CREATE TABLE daemon_state (
    daemon TEXT NOT NULL,
    kind TEXT NOT NULL,
    id TEXT NOT NULL,
    up BIGINT NOT NULL,
    since BIGINT NOT NULL,
    why TEXT,
    last_at BIGINT,
    noted_at BIGINT NOT NULL,
    PRIMARY KEY (daemon, kind, id)
);
CREATE TABLE named (
    specimen TEXT NOT NULL,
    report BIGINT NOT NULL,
    at BIGINT NOT NULL,
    what TEXT NOT NULL,
    PRIMARY KEY (specimen, report, at)
);
CREATE INDEX named_report ON named (report);
CREATE INDEX report_heard ON report (analyzer, heard_at);
CREATE INDEX report_of_filler ON report (filler);
CREATE INDEX message_of_specimen ON message (specimen) WHERE specimen IS NOT NULL;
CREATE INDEX message_of_filler ON message (filler) WHERE filler IS NOT NULL;
CREATE INDEX trail_of_object ON trail (object, n);
CREATE INDEX trail_of_verb ON trail (verb, n)
