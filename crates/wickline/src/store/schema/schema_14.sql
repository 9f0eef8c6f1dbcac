CREATE TABLE question (
    tape TEXT NOT NULL,
    analyzer TEXT NOT NULL,
    place BIGINT NOT NULL,
    heard_at BIGINT NOT NULL,
    day TEXT NOT NULL,
    asked TEXT NOT NULL,
    specimens BIGINT NOT NULL,
    orders BIGINT NOT NULL,
    said TEXT NOT NULL,
    why TEXT,
    PRIMARY KEY (tape, analyzer, place)
);
CREATE INDEX question_day ON question (day);
CREATE INDEX question_heard ON question (heard_at)
