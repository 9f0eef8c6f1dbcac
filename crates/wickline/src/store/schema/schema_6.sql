CREATE TABLE notice (
    n ROWKEY,
    kind TEXT NOT NULL,
    tape TEXT NOT NULL,
    since BIGINT NOT NULL,
    detail TEXT NOT NULL,
    lifted_at BIGINT
);
CREATE INDEX notice_open ON notice (since) WHERE lifted_at IS NULL;
ALTER TABLE position ADD COLUMN doubt_to BIGINT NOT NULL DEFAULT 0
