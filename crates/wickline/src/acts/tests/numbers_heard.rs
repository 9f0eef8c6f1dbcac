//! A number that was heard on its day is never missing, whatever a person decides of it and whatever its
//! clock says; a jump is one line.

use super::*;
use crate::acts::decide::Decision;

const BEFORE: &str = "2026-03-13";
const DAY: &str = "2026-03-14";

on_both!(
    a_second_strip_under_a_used_number_opens_no_gap,
    what_is_held_for_its_clock_fills_the_gap_it_belongs_to,
    what_is_printed_past_midnight_counts_where_it_goes_on,
);

impl Lab {
    /// A patient's strip with this number, heard at a time and printed with another (`YYYYMMDDHHMMSS`).
    fn print_of(&mut self, number: &str, heard: &str, printed: &str) -> HeardReport {
        let moment = |text| wickline_normalize::Moment::from_digits(text).expect("a time");
        let mut strip = self.heard(number, &format!("KP-{number:0>5}-{}", self.at), "NEG");
        strip.report.taken = Some(moment(printed));
        strip.heard_at = self.clock().us(moment(heard)).expect("a time of this site");
        strip
    }

    async fn hear_all(&mut self, strips: &[(&str, &str, &str)]) -> Vec<(i64, Option<Reason>)> {
        let mut came = Vec::new();
        for (number, heard, printed) in strips {
            let strip = self.print_of(number, heard, printed);
            let taken = self.take(&[strip], 1).await;
            came.push((taken.reports[0].id, taken.reports[0].reason));
        }
        came
    }

    /// What is missing on a day, as the sheet has it.
    async fn missing_on(&self, day: &str) -> Vec<String> {
        let day = self.ledger.day(day, &self.clock()).await.expect("a day");
        let missing = day.into_iter().filter(|i| i.state == "missing");
        missing.filter_map(|i| i.number).collect()
    }
}

async fn a_second_strip_under_a_used_number_opens_no_gap(mut lab: Lab) {
    // So that this is not the first day on which anything was heard.
    lab.hear_all(&[("3", "20260313100000", "20260313100000")]).await;
    for n in 1..=9 {
        let at = format!("2026031409{n:02}00");
        lab.hear_all(&[(&n.to_string(), &at, &at)]).await;
    }
    let actor = Actor::person(Some("J. Mast".into()));
    for (number, at) in [("9", "20260314093000"), ("4", "20260314093100"), ("7", "20260314093200")]
    {
        let again = lab.hear_all(&[(number, at, at)]).await[0];
        assert_eq!(again.1, Some(Reason::NumberReused), "{number}");
        let decision = Decision::NewRun;
        let became = lab.ledger.report_decide(&lab.bench, &actor, again.0, decision, "run again");
        assert_eq!(became.await.expect("decided"), [(again.0, "waiting".to_owned())]);
        assert_eq!(lab.missing_on(DAY).await, Vec::<String>::new(), "after {number} again");
    }
    let came = lab.hear_all(&[("11", "20260314094000", "20260314094000")]).await;
    assert_eq!((came[0].1, lab.missing_on(DAY).await), (None, vec!["10".to_owned()]));
}

async fn what_is_held_for_its_clock_fills_the_gap_it_belongs_to(mut lab: Lab) {
    for n in [1, 2, 5] {
        let at = format!("2026031309{n:02}00");
        lab.hear_all(&[(&n.to_string(), &at, &at)]).await;
    }
    assert!(!lab.missing_on(BEFORE).await.is_empty());
    lab.hear_all(&[("1", "20260314080000", "20260314080000")]).await;
    // Out of its memory, with the year wrong.
    let late =
        [("3", "20260314090000", "20240313090300"), ("4", "20260314090007", "20240313090400")];
    let came = lab.hear_all(&late).await;
    for (_, reason) in &came {
        assert_eq!(*reason, Some(Reason::ClockOff));
    }
    for day in [BEFORE, DAY] {
        assert_eq!(lab.missing_on(day).await, Vec::<String>::new(), "{day}: they were heard");
    }
    let actor = Actor::person(Some("J. Mast".into()));
    for (id, _) in came {
        lab.ledger.report_release(&lab.bench, &actor, id, "wrong year").await.expect("released");
    }
    lab.hear_all(&[("2", "20260314091000", "20260314091000")]).await;
    for day in [BEFORE, DAY] {
        assert_eq!(lab.missing_on(day).await, Vec::<String>::new(), "{day}: nor when released");
    }
}

async fn what_is_printed_past_midnight_counts_where_it_goes_on(mut lab: Lab) {
    // Its clock is two hours ahead: it began its numbers again before our midnight.
    lab.hear_all(&[
        ("1", "20260313090000", "20260313110000"),
        ("2", "20260313090100", "20260313110100"),
        ("1", "20260313230000", "20260314010000"),
        ("2", "20260313230100", "20260314010100"),
        ("3", "20260314003000", "20260314023000"),
    ])
    .await;
    assert_eq!(lab.missing_on(BEFORE).await, Vec::<String>::new());
    assert_eq!(lab.missing_on(DAY).await, Vec::<String>::new(), "1 and 2 are held since yesterday");
}
