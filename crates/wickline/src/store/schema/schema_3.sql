ALTER TABLE report ADD COLUMN sequence TEXT;
ALTER TABLE report ADD COLUMN remarks TEXT NOT NULL DEFAULT '[]';
ALTER TABLE report ADD COLUMN clock TEXT;
ALTER TABLE report ADD COLUMN corrects BIGINT;
CREATE INDEX report_corrects ON report (corrects) WHERE corrects IS NOT NULL;
DROP INDEX report_by_day;
CREATE INDEX report_of_day ON report (day, analyzer, n);
CREATE INDEX report_by_number ON report (analyzer, number, day);
ALTER TABLE message ADD COLUMN filler TEXT;
ALTER TABLE message ADD COLUMN amends TEXT;
ALTER TABLE message ADD COLUMN why TEXT;
ALTER TABLE message ADD COLUMN specimen TEXT;
ALTER TABLE message ADD COLUMN heeds TEXT;
ALTER TABLE message ADD COLUMN perhaps BIGINT NOT NULL DEFAULT 0;
ALTER TABLE trail ADD COLUMN hash TEXT;
CREATE TABLE configuration (
    fingerprint TEXT PRIMARY KEY,
    body TEXT NOT NULL,
    first_at BIGINT NOT NULL
);
CREATE TABLE control_run (
    report ROWKEY,
    analyzer TEXT NOT NULL,
    level TEXT,
    day TEXT NOT NULL,
    at BIGINT NOT NULL,
    verdict TEXT NOT NULL,
    control_lot TEXT,
    strip TEXT NOT NULL,
    strip_lot TEXT,
    run TEXT NOT NULL
);
CREATE INDEX control_run_of_level ON control_run (analyzer, level, at);
CREATE TABLE strip_lot (
    analyzer TEXT NOT NULL,
    strip TEXT NOT NULL,
    since BIGINT NOT NULL,
    lot TEXT NOT NULL,
    last_day TEXT,
    PRIMARY KEY (analyzer, strip, since)
);
CREATE TABLE numbering (
    analyzer TEXT NOT NULL,
    mark TEXT NOT NULL,
    day TEXT NOT NULL,
    generation BIGINT NOT NULL,
    lowest BIGINT NOT NULL,
    last BIGINT NOT NULL,
    missing TEXT NOT NULL,
    width BIGINT NOT NULL,
    began TEXT,
    latest TEXT,
    unheard BIGINT NOT NULL,
    restarted BIGINT NOT NULL,
    PRIMARY KEY (analyzer, mark, day, generation)
);
INSERT INTO numbering (analyzer, mark, day, generation, lowest, last, missing, width, unheard, restarted)
    SELECT analyzer, mark, day, 1, last - 1, last - 1, '{}', 0, 0, 0 FROM sequence WHERE last > 0;
DROP TABLE sequence;
ALTER TABLE absent RENAME TO absent_1;
CREATE TABLE absent (
    analyzer TEXT NOT NULL,
    sequence TEXT NOT NULL,
    mark TEXT NOT NULL,
    value BIGINT NOT NULL,
    day TEXT NOT NULL,
    number TEXT NOT NULL,
    class TEXT NOT NULL,
    state TEXT NOT NULL,
    reason TEXT NOT NULL,
    why TEXT,
    noticed_at BIGINT NOT NULL,
    PRIMARY KEY (analyzer, sequence, mark, value)
);
INSERT INTO absent (analyzer, sequence, mark, value, day, number, class, state, reason, noticed_at)
    SELECT analyzer, day || '#1.0', number, 0, day, number, class, state, 'number-skipped', noticed_at
    FROM absent_1;
DROP TABLE absent_1;
CREATE INDEX absent_of_day ON absent (day, analyzer);
CREATE TABLE closing (
    day TEXT PRIMARY KEY,
    closed_at BIGINT NOT NULL,
    who TEXT NOT NULL,
    last TEXT NOT NULL,
    reports BIGINT NOT NULL
);
CREATE TABLE analyzer_clock (
    analyzer TEXT PRIMARY KEY,
    samples TEXT NOT NULL
)
