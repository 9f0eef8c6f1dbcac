CREATE TABLE line_query (
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
CREATE INDEX line_query_day ON line_query (day);
CREATE INDEX line_query_heard ON line_query (heard_at)
