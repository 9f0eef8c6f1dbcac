CREATE TABLE person (
    folded TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    role TEXT NOT NULL,
    since BIGINT NOT NULL,
    secret TEXT,
    code TEXT,
    code_until BIGINT,
    seen_at BIGINT,
    choices TEXT NOT NULL
);
CREATE UNIQUE INDEX person_code ON person (code) WHERE code IS NOT NULL;
CREATE TABLE session (
    mark TEXT NOT NULL PRIMARY KEY,
    person TEXT NOT NULL,
    began_at BIGINT NOT NULL,
    seen_at BIGINT NOT NULL,
    proved_at BIGINT NOT NULL
);
CREATE INDEX session_person ON session (person)
