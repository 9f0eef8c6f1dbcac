CREATE TABLE order_was (
    report BIGINT NOT NULL,
    under TEXT NOT NULL,
    lab_order BIGINT NOT NULL,
    pads TEXT NOT NULL,
    filler TEXT NOT NULL,
    PRIMARY KEY (report, under, lab_order)
);
CREATE INDEX order_was_of ON order_was (lab_order)
