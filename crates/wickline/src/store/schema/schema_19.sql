CREATE TABLE line_refusal (
    analyzer TEXT NOT NULL,
    day TEXT NOT NULL,
    why TEXT NOT NULL,
    many BIGINT NOT NULL,
    first_at BIGINT NOT NULL,
    last_at BIGINT NOT NULL,
    last_from TEXT NOT NULL,
    PRIMARY KEY (day, analyzer, why)
);
CREATE INDEX line_refusal_last ON line_refusal (last_at)
