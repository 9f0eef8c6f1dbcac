DROP INDEX report_of_day;
CREATE INDEX report_of_day ON report (day, n, analyzer, class, state, unsent, heard_at)
