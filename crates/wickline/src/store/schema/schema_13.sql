CREATE TABLE lab_order (
    n ROWKEY,
    source TEXT NOT NULL,
    number TEXT NOT NULL,
    called TEXT NOT NULL,
    standing TEXT NOT NULL,
    asked TEXT,
    received BIGINT NOT NULL,
    closed BIGINT,
    deadline BIGINT NOT NULL,
    ours TEXT,
    answered_by TEXT,
    urgent BIGINT NOT NULL,
    patient TEXT,
    named BIGINT NOT NULL,
    wanted TEXT,
    wants_back TEXT,
    UNIQUE (source, number)
);
CREATE INDEX lab_order_called ON lab_order (called);
CREATE INDEX lab_order_patient ON lab_order (patient);
CREATE INDEX lab_order_open ON lab_order (deadline, n) WHERE standing IN ('open', 'on-hold', 'disputed');
CREATE INDEX lab_order_named ON lab_order (closed, n) WHERE named = 1;
CREATE INDEX lab_order_standing ON lab_order (standing, closed, n);
CREATE TABLE order_specimen (
    specimen TEXT NOT NULL,
    lab_order BIGINT NOT NULL,
    PRIMARY KEY (specimen, lab_order)
);
CREATE INDEX order_specimen_of ON order_specimen (lab_order);
CREATE TABLE order_rival (
    patient TEXT NOT NULL,
    lab_order BIGINT NOT NULL,
    PRIMARY KEY (patient, lab_order)
);
CREATE INDEX order_rival_of ON order_rival (lab_order);
CREATE TABLE patient_merge (
    gone TEXT PRIMARY KEY,
    stays TEXT NOT NULL,
    at BIGINT NOT NULL
);
CREATE TABLE order_message (
    source TEXT NOT NULL,
    control_id TEXT NOT NULL,
    digest TEXT NOT NULL,
    received BIGINT NOT NULL,
    accept_answer BLOB,
    application_answer BLOB,
    PRIMARY KEY (source, control_id, digest)
);
CREATE INDEX order_message_received ON order_message (received);
CREATE TABLE report_order (
    report BIGINT NOT NULL,
    lab_order BIGINT NOT NULL,
    pads TEXT NOT NULL,
    filler TEXT NOT NULL,
    PRIMARY KEY (report, lab_order)
);
CREATE INDEX report_order_of ON report_order (lab_order)
