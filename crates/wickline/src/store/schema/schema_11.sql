CREATE TABLE purged (
    n ROWKEY,
    analyzer TEXT NOT NULL,
    day TEXT NOT NULL,
    printed TEXT NOT NULL,
    class TEXT NOT NULL,
    outcome TEXT NOT NULL,
    identity TEXT NOT NULL,
    at BIGINT NOT NULL
);
CREATE INDEX purged_printed ON purged (analyzer, printed);
CREATE INDEX purged_of_day ON purged (day);
CREATE TABLE purged_name (
    specimen TEXT NOT NULL,
    report BIGINT NOT NULL,
    PRIMARY KEY (specimen, report)
);
CREATE TABLE purge_key (
    text TEXT NOT NULL
)
