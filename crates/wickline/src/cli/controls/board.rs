//! How analyzers stand with their controls, and the runs, for people and scripts.

use wickline_normalize::controls::{Checked, Range};

use crate::acts::control_views::{ControlStanding, Stands};
use crate::cli::Desk;
use crate::cli::output::{Output, Tone, plain};
use crate::store::lists::runs::RunView;
use crate::store::state::State;
use crate::views::controls::{Period, policy, totals};

pub fn show(
    desk: &Desk,
    period: &Period,
    stands: &[ControlStanding],
    runs: &[RunView],
    out: &Output,
) {
    let (site, from, to) = (&desk.bench.site_name, &period.from_day, &period.to_day);
    out.line(&format!("{site}   controls of {from} to {to}"));
    for one in stands {
        standing(desk, one, out);
    }
    if runs.is_empty() {
        out.line("no control was run in these days");
        return;
    }
    let rows: Vec<_> = runs.iter().map(row).collect();
    let head =
        ["id", "run", "analyzer", "level", "control lot", "strip lot", "verdict", "what is out"];
    out.table(&head, &rows);
    let sums = totals(runs);
    let sums: Vec<String> = sums.iter().map(|(verdict, n)| format!("{n} {verdict}")).collect();
    out.line(&format!("in all: {}", sums.join(", ")));
    if let Some(last) = runs.last() {
        let id = &last.id;
        out.line(&format!("`wickline controls show {id}` shows the last reading by reading"));
    }
}

fn standing(desk: &Desk, one: &ControlStanding, out: &Output) {
    let tone = if super::is_clean(one) { Tone::Good } else { Tone::Bad };
    let name = format!("{} ({}): ", one.analyzer, one.strip);
    out.pieces(&[plain(name), (said(&one.overall), tone)]);
    if one.overall.state == "no-plan" {
        out.line("  nothing says what control material must read: write [[control]] tables");
    }
    for level in &one.levels {
        let name = level.level.as_deref().unwrap_or("-");
        out.line(&format!("  level {name}: {}", said(level)));
    }
    let lot = match (&one.strip_lot, &one.strip_last_day) {
        (None, _) => "not known; `wickline controls lot` enters it".to_owned(),
        (Some(lot), None) => format!("{lot}, its last day is not known"),
        (Some(lot), Some(day)) if one.strip_expired => {
            format!("{lot}, good until {day}: past its last day, patients' reports are held")
        }
        (Some(lot), Some(day)) => format!("{lot}, last day {day}"),
    };
    out.line(&format!("  strip lot {lot}"));
    let policy = policy(&desk.bench, &one.analyzer);
    if one.overall.state != "no-plan" {
        let (now, held) = (policy.told_now(&one.at), one.held);
        out.line(&format!("  now: {now}; {held} wait for controls"));
        out.line(&format!("  policy: {}", policy.told()));
    }
}

/// `passed until 2026-03-15 00:00`
fn said(stands: &Stands) -> String {
    let time = |text: &str| text.chars().take(16).collect::<String>().replace('T', " ");
    match (stands.state, &stands.until, &stands.since) {
        ("passed", Some(until), _) => format!("passed until {}", time(until)),
        ("due", _, None) => "due: no run that counts".into(),
        (state, _, Some(since)) => format!("{state} since {}", time(since)),
        ("no-plan", ..) => "no plan".into(),
        (state, ..) => state.into(),
    }
}

fn verdict(run: &RunView) -> (String, Tone) {
    let tone = match run.verdict {
        "passed" => Tone::Good,
        "failed" => Tone::Bad,
        _ => Tone::Quiet,
    };
    let aside = if run.state == State::SetAside { " (set aside)" } else { "" };
    (format!("{}{aside}", run.verdict), tone)
}

/// What is out, and what was noted.
fn about(run: &RunView) -> String {
    let notes = run.notes.iter().map(|note| note.words().to_string());
    let all: Vec<String> = [run.detail.clone()].into_iter().chain(notes).collect();
    all.into_iter().filter(|text| !text.is_empty()).collect::<Vec<_>>().join("; ")
}

fn row(run: &RunView) -> Vec<(String, Tone)> {
    let dash = |text: &Option<String>| plain(text.as_deref().unwrap_or("-"));
    let at: String = run.at.chars().take(16).collect();
    vec![
        plain(&run.id),
        plain(at.replace('T', " ")),
        plain(&run.analyzer),
        dash(&run.level),
        dash(&run.control_lot),
        dash(&run.strip_lot),
        verdict(run),
        plain(about(run)),
    ]
}

pub fn show_run(run: &RunView, out: &Output) {
    let dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".into());
    let (level, number) = (dash(&run.level), dash(&run.number));
    out.line(&format!(
        "run {}   {} number {number}   level {level}   {}   {}",
        run.id, run.analyzer, run.state, run.at
    ));
    let (lot, strip_lot) = (dash(&run.control_lot), dash(&run.strip_lot));
    out.line(&format!("control lot {lot}   strip {}   strip lot {strip_lot}", run.strip));
    out.pieces(&[verdict(run), plain(format!("   {}", run.detail))]);
    for note in &run.notes {
        out.line(&format!("{}, {}", note.words(), note.at));
    }
    let rows: Vec<_> = run.readings.iter().map(reading).collect();
    out.table(&["analyte", "found", "allowed", "range", "remark"], &rows);
}

fn reading(checked: &Checked) -> Vec<(String, Tone)> {
    let range = match checked.range {
        Range::In => ("in".to_owned(), Tone::Good),
        Range::Out => ("OUT".to_owned(), Tone::Bad),
        Range::NoTarget => ("no target".to_owned(), Tone::Quiet),
    };
    let allowed = match &checked.allowed {
        None => "-".to_owned(),
        Some((low, high)) if low == high => low.clone(),
        Some((low, high)) => format!("{low} to {high}"),
    };
    let remark = if checked.range == Range::In { "" } else { checked.why.as_str() };
    vec![plain(&checked.analyte), plain(&checked.found), plain(allowed), range, plain(remark)]
}
