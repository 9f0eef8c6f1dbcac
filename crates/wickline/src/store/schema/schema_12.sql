CREATE TABLE instrument (
    analyzer TEXT NOT NULL,
    n BIGINT NOT NULL,
    since BIGINT NOT NULL,
    serial TEXT NOT NULL,
    PRIMARY KEY (analyzer, n)
);
ALTER TABLE report ADD COLUMN instrument BIGINT NOT NULL DEFAULT 0
