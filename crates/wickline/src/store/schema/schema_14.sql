CREATE TABLE order_question (
    source TEXT NOT NULL,
    specimen TEXT NOT NULL,
    asked BIGINT NOT NULL,
    said TEXT NOT NULL,
    PRIMARY KEY (specimen, source)
);
CREATE INDEX order_question_asked ON order_question (asked)
