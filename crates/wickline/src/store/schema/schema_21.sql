CREATE TABLE token (
    folded TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    mark TEXT NOT NULL,
    role TEXT NOT NULL,
    since BIGINT NOT NULL,
    seen_at BIGINT
);
CREATE UNIQUE INDEX token_mark ON token (mark);
ALTER TABLE person ADD COLUMN badge TEXT;
ALTER TABLE person ADD COLUMN pin TEXT;
CREATE UNIQUE INDEX person_badge ON person (badge) WHERE badge IS NOT NULL;
ALTER TABLE session ADD COLUMN by_badge BIGINT NOT NULL DEFAULT 0
