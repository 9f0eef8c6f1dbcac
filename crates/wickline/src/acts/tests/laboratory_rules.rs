//! The laboratory's rules through the ledger: numbers, clocks, ids and comments, on both databases.

use super::*;

impl Lab {
    /// The same house with other words in its configuration: for the site, and for the analyzer.
    fn with(mut self, site: &str, analyzer: &str) -> Self {
        let text = format!(
            "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n{site}\n\
             [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
             [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"lis02\"\n\
             control_specimens = [\"QC-L1=1\"]\n{analyzer}\n\
             [[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n"
        );
        let loaded = from_text(std::path::Path::new("./w.toml"), text).expect("a configuration");
        self.bench = Bench::build(&loaded).expect("a good configuration");
        self
    }

    /// A plain patient's print with this number, the line unheard before it or not.
    fn numbered(&mut self, number: &str, unheard: bool) -> HeardReport {
        let specimen = format!("KP-{number:0>5}-{}", self.at);
        let mut heard = self.heard(number, &specimen, "NEG");
        heard.unheard = unheard;
        heard
    }

    async fn absent(&self, day: &str) -> Vec<(String, String)> {
        let day = self.ledger.day(day, &self.clock()).await.expect("a day");
        let absent = day.into_iter().filter(|i| i.state == "missing");
        absent.map(|i| (i.number.unwrap_or_default(), i.reason.unwrap_or_default())).collect()
    }

    async fn body_of(&self, report: i64) -> String {
        let mut conn = self.ledger.db.read().await.expect("a connection");
        let sql = "SELECT body FROM message_body JOIN message ON message.n = message_body.n \
                   WHERE report = $1";
        let row = sqlx::query(sql).bind(report).fetch_one(&mut conn).await.expect("a message");
        String::from_utf8(sqlx::Row::get(&row, 0)).expect("UTF-8")
    }
}

fn pairs(list: &[(String, String)]) -> Vec<(&str, &str)> {
    list.iter().map(|(number, reason)| (number.as_str(), reason.as_str())).collect()
}

const DAY: &str = "2026-03-14";

/// It runs under a patient's number.
async fn what_is_missing_before_an_external_quality_sample_is_a_patients(lab: Lab) {
    let mut lab = lab.with("external_quality = [\"EQA-[0-9]{4}\"]", "");
    let heard = [lab.numbered("5", false), lab.heard("7", "EQA-0107", "NEG")];
    let classes = lab.take(&heard, 1).await.reports;
    assert_eq!(classes.iter().map(|r| r.class).collect::<Vec<_>>(), ["routine", "control"]);
    let day = lab.ledger.day(DAY, &lab.clock()).await.expect("a day");
    let absent = day.iter().find(|i| i.state == "missing").expect("number 6");
    assert_eq!((absent.number.as_deref(), absent.class.as_str()), (Some("6"), "routine"));
}

async fn what_nobody_listened_to_is_unknown_until_it_comes(mut lab: Lab) {
    let heard = [lab.numbered("5", false), lab.numbered("8", true), lab.numbered("10", false)];
    lab.take(&heard, 1).await;
    let absent = lab.absent(DAY).await;
    let wanted = [("6-7", "number-unknown"), ("9", "number-skipped")];
    assert_eq!(pairs(&absent), wanted);
    // In bulk, out of order, from the analyzer's memory.
    let late = [lab.numbered("7", false), lab.numbered("6", false), lab.numbered("9", false)];
    let states: Vec<ReportState> =
        lab.take(&late, 2).await.reports.iter().map(|r| r.state).collect();
    assert_eq!(states, [ReportState::Waiting; 3]);
    assert!(lab.absent(DAY).await.is_empty());
}

async fn numbers_of_a_counter_that_wraps(lab: Lab) {
    let mut lab = lab.with("", "numbers = \"never\"\nnumber_last = 20");
    let first: Vec<HeardReport> = ["18", "19"].map(|n| lab.numbered(n, false)).into();
    lab.take(&first, 1).await;
    // 20 is skipped on the way over the end, 2 after it; 18 and 19 come again one round later.
    let second: Vec<HeardReport> = ["1", "3"].map(|n| lab.numbered(n, false)).into();
    let taken = lab.take(&second, 2).await;
    assert_eq!(gaps(&taken), ["20", "2"]);
    let late: Vec<HeardReport> = ["20", "2"].map(|n| lab.numbered(n, false)).into();
    lab.take(&late, 3).await;
    assert!(lab.absent(DAY).await.is_empty());
    let rest: Vec<HeardReport> = (4..=19).map(|n| lab.numbered(&n.to_string(), false)).collect();
    let taken = lab.take(&rest, 4).await;
    let held: Vec<_> = taken.reports.iter().filter(|r| r.state != ReportState::Waiting).collect();
    assert!(held.is_empty(), "the same numbers of another round are not used twice: {held:?}");
}

async fn an_analyzer_that_was_switched_on_begins_anew(lab: Lab) {
    let mut lab = lab.with("", "numbers = \"power-up\"");
    let mut minute = 0;
    for (number, state) in [
        ("1", ReportState::Waiting),
        ("2", ReportState::Waiting),
        ("1", ReportState::Waiting),
        ("2", ReportState::Waiting),
    ] {
        minute += 1;
        let mut heard = lab.numbered(number, false);
        let taken = format!("202603140910{minute:02}");
        heard.report.taken = wickline_normalize::Moment::from_digits(&taken);
        let taken = lab.take(&[heard], minute).await;
        assert_eq!(taken.reports[0].state, state, "{number} at {minute}");
    }
    // Without any sign that it began anew, the same number with another content is a question.
    let mut heard = lab.numbered("2", false);
    heard.report.taken = wickline_normalize::Moment::from_digits("20260314091059");
    let taken = lab.take(&[heard], 9).await;
    assert_eq!(taken.reports[0].reason, Some(Reason::NumberReused));
}

async fn a_wrong_clock_may_go_with_our_time(lab: Lab) {
    let mut lab = lab.with("", "clock = \"daemon-time\"");
    let mut heard = lab.heard("1", "KP-00001", "NEG");
    heard.report.taken = wickline_normalize::Moment::from_digits("20190314091455");
    let taken = lab.take(&[heard], 1).await;
    assert_eq!(states(&taken), [(ReportState::Waiting, None)]);
    let message = lab.body_of(taken.reports[0].id).await;
    assert!(message.contains("with the year 2026 it would fit"), "{message}");
    assert!(
        message.contains("^^^^^clock-off") || message.contains("clock-off^^99WKL"),
        "{message}"
    );
    assert!(!message.contains("2019031409"), "the wrong time goes nowhere: {message}");
    let day = lab.ledger.day(DAY, &lab.clock()).await.expect("a day");
    assert_eq!(day.len(), 1, "on the sheet of the day it came");
}

async fn the_hour_that_comes_twice(lab: Lab) {
    // 2026-10-25: 01:00 to 02:00 comes twice in Lisbon. In the first one the second is yet to come.
    let mut lab = lab.with("", "clock_ahead_minutes = 5");
    for (heard_at, held) in [("2026-10-25T00:40:00Z", false), ("2026-10-25T05:00:00Z", true)] {
        let at: jiff::Timestamp = heard_at.parse().expect("a time");
        let mut heard = lab.numbered("1", false);
        heard.heard_at = at.as_microsecond();
        heard.report.taken = wickline_normalize::Moment::from_digits("20261025013000");
        let taken = lab.take(&[heard], 1).await;
        assert_eq!(taken.reports[0].state == ReportState::Held, held, "{heard_at}");
    }
}

async fn a_scanner_is_stripped_by_rule_and_ids_are_checked(lab: Lab) {
    let site = "specimen = \"[0-9]{8}\"\nspecimen_check = \"luhn\"\nscanner_leading = [\"]C1\"]\n\
                scanner_characters = \"*\"";
    let mut lab = lab.with(site, "");
    let heard = [
        lab.heard("1", "]C179927398*", "NEG"),
        lab.heard("2", "79927399", "NEG"),
        lab.heard("3", "?79927398", "NEG"),
    ];
    // Behind 7992739 stands Luhn's 8.
    let taken = lab.take(&heard, 1).await;
    let reasons: Vec<Option<Reason>> = taken.reports.iter().map(|r| r.reason).collect();
    let malformed = Some(Reason::SpecimenMalformed);
    assert_eq!(reasons, [None, malformed, malformed]);
    let message = lab.body_of(taken.reports[0].id).await;
    assert!(message.contains("SPM|1|79927398") && !message.contains("]C1"), "{message}");
    let actor = Actor::person(Some("J. Mast".into()));
    let wrong = lab.ledger.report_identify(&lab.bench, &actor, 2, &twice("79927390")).await;
    assert!(wrong.is_err(), "a person's choice is held to the same rules");
    let right = lab.ledger.report_identify(&lab.bench, &actor, 2, &twice("79927398")).await;
    right.expect("identified");
}

async fn comments_go_as_notes_and_change_nothing(lab: Lab) {
    let plain = {
        let mut plain = Lab::sqlite().await.with("", "");
        let heard = [plain.heard("1", "KP-00001", "3+")];
        plain.take(&heard, 1).await;
        plain.body_of(1).await
    };
    let mut lab = lab.with("comments = [\"UA-INT-LEU\", \"UA-MICRO\"]", "");
    let heard = [lab.heard("1", "KP-00001", "3+"), lab.heard("2", "QC-L1", "3+")];
    lab.take(&heard, 1).await;
    let message = lab.body_of(1).await;
    let notes: Vec<&str> = message.split('\r').filter(|s| s.starts_with("NTE|")).collect();
    assert_eq!(notes.len(), 1, "{notes:?}");
    assert!(notes[0].contains("UA-INT-LEU"), "{notes:?}");
    // It stands behind the leukocytes, which it is about, and not under the whole report.
    let behind = message.split('\r').skip_while(|s| !s.starts_with("NTE|")).nth(1);
    let before = message.split('\r').take_while(|s| !s.starts_with("NTE|")).last();
    assert!(before.is_some_and(|s| s.contains("^LEU-GRADE^")), "{before:?} before {behind:?}");
    let results = |text: &str| -> Vec<String> {
        text.split('\r').filter(|s| s.starts_with("OBX|")).map(str::to_owned).collect()
    };
    assert_eq!(results(&message), results(&plain), "no value and no flag differs");
    // Built anew after a refusal it says the same.
    let again = lab.ledger.report(1, &lab.clock()).await.expect("read").expect("there");
    assert_eq!(again.item.state, "waiting");
}

on_both!(
    what_nobody_listened_to_is_unknown_until_it_comes,
    what_is_missing_before_an_external_quality_sample_is_a_patients,
    numbers_of_a_counter_that_wraps,
    an_analyzer_that_was_switched_on_begins_anew,
    a_wrong_clock_may_go_with_our_time,
    the_hour_that_comes_twice,
    a_scanner_is_stripped_by_rule_and_ids_are_checked,
    comments_go_as_notes_and_change_nothing,
);
