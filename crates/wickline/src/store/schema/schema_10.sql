DROP INDEX report_by_state;
CREATE INDEX report_held ON report (n, class, heard_at) WHERE state = 'held';
CREATE INDEX report_held_of_day ON report (day) WHERE state = 'held';
CREATE INDEX report_unsent_of_day ON report (day, state) WHERE unsent = 1;
CREATE INDEX report_of_strip ON report (analyzer, strip, heard_at, n);
CREATE INDEX control_run_at ON control_run (at, report);
DROP INDEX report_heard;
CREATE INDEX report_heard ON report (analyzer, heard_at, n);
CREATE INDEX numbering_of_day ON numbering (day);
DROP INDEX absent_missing;
CREATE INDEX absent_missing ON absent (day, analyzer, noticed_at, up_to, value) WHERE state = 'missing'
