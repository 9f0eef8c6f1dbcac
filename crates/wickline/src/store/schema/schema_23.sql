CREATE TABLE care (
    n ROWKEY,
    name TEXT NOT NULL,
    analyzer TEXT NOT NULL,
    day TEXT NOT NULL,
    at BIGINT NOT NULL,
    who TEXT NOT NULL,
    lot TEXT,
    use_until TEXT,
    reason TEXT,
    struck_at BIGINT,
    struck_by TEXT,
    struck_why TEXT
);
CREATE INDEX care_of_day ON care (analyzer, day, n);
CREATE INDEX care_named ON care (analyzer, name, day, n)
