//! The metrics: their names, what they mean, and where they come from. Labels are ids and states only.

use std::collections::BTreeMap;

use metrics::{counter, describe_counter, describe_gauge, describe_histogram, gauge};
use metrics_exporter_prometheus::{Matcher, PrometheusBuilder};
use wickline_listen::line::Trouble;

use crate::clock;
use crate::settings::bench::{Analyzer, Bench, Target};
use crate::sheet::now::Now;
use crate::store::ledger::Ledger;
use crate::store::rows::daemon_state::{Kind, Points};
use crate::store::rows::line_query::Outcome;

/// Upper bounds of what takes a fraction of a second, in seconds.
const QUICK: &[f64] =
    &[0.000_5, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0];

/// Every histogram counts in the same steps.
pub fn buckets(builder: PrometheusBuilder) -> PrometheusBuilder {
    let seconds = Matcher::Suffix("_seconds".into());
    match builder.set_buckets_for_metric(seconds, QUICK) {
        Ok(builder) => builder,
        // Only an empty list is refused.
        Err(_) => PrometheusBuilder::new(),
    }
}

/// What each name means, as `/metrics` says it.
pub fn describe() {
    describe_counter!("wickline_heard_bytes_total", "Bytes heard and kept on the tape");
    describe_counter!("wickline_lost_bytes_total", "Bytes heard that could not be kept");
    describe_counter!("wickline_reports_total", "Reports read, by class and where they went");
    describe_counter!("wickline_holds_total", "Reports held, by the first reason");
    describe_counter!("wickline_numbers_missing_total", "Numbers that an analyzer skipped");
    describe_counter!("wickline_line_opens_total", "Times a line was opened");
    describe_counter!("wickline_line_takeovers_total", "Times a new connection took over a line");
    describe_counter!(
        "wickline_line_refusals_total",
        "Connections turned away from a line, at most one in 10 s"
    );
    describe_counter!(
        "wickline_line_questions_total",
        "Questions for orders that an analyzer asked on its line, by what became of the answer"
    );
    describe_counter!(
        "wickline_line_troubles_total",
        "Breaks, overruns and bytes with an error, as far as the line tells them"
    );
    describe_counter!("wickline_line_noise_total", "Times a few bytes came that are no print");
    describe_counter!("wickline_flawed_bytes_total", "Bytes with a parity or framing error");
    describe_counter!("wickline_deliveries_total", "Messages answered, by outcome");
    describe_counter!("wickline_receiver_failures_total", "Times a receiver went away or was busy");
    describe_counter!("wickline_console_connections_total", "Connections to the console");
    describe_counter!("wickline_console_turned_away_total", "Connections that were turned away");
    describe_counter!("wickline_tee_lost_bytes_total", "Bytes that the copy of a line lacks");
    describe_gauge!("wickline_tee_up", "1 while the copy of a line goes where it should");
    describe_gauge!("wickline_line_silent", "1 while it says nothing in its working hours");
    describe_gauge!("wickline_line_up", "1 while the line is open");
    describe_gauge!("wickline_receiver_up", "1 unless the last try failed");
    describe_gauge!("wickline_alarm_up", "1 unless the last alarm could not be delivered");
    describe_gauge!("wickline_ledger_up", "1 while the ledger can be reached");
    describe_gauge!("wickline_tape_up", "1 while the tape takes what is heard");
    describe_gauge!("wickline_queue_messages", "Messages not accepted, by state");
    describe_gauge!("wickline_queue_oldest_seconds", "How long the oldest message has waited");
    describe_gauge!("wickline_queue_late", "1 while too many wait, or one too long");
    describe_gauge!("wickline_held_reports", "Reports that need a person now");
    describe_gauge!("wickline_controls_state", "Controls: 0 passed, 1 due, 2 failed");
    describe_gauge!("wickline_last_report_seconds", "When the last report was read, Unix time");
    describe_histogram!("wickline_answer_seconds", "From sending a message to its answer");
    describe_histogram!("wickline_tape_commit_seconds", "One commit of the tape, with its sync");
    describe_histogram!("wickline_ledger_commit_seconds", "Taking reports into the ledger");
    describe_gauge!("wickline_hanging_loops", "Loops that did not turn for long: see the watchdog");
    describe_gauge!("wickline_build_info", "1; the version is its label");
    gauge!("wickline_build_info", "version" => env!("CARGO_PKG_VERSION")).set(1);
}

/// What has not happened yet is none, and no figure that is missing ("Instrumentation" of Prometheus, avoid missing
/// metrics).
pub fn exist(bench: &Bench, points: &Points) {
    for Analyzer { id, .. } in bench.analyzers.iter().map(AsRef::as_ref) {
        for name in [
            "wickline_heard_bytes_total",
            "wickline_lost_bytes_total",
            "wickline_flawed_bytes_total",
            "wickline_line_opens_total",
            "wickline_line_takeovers_total",
            "wickline_line_refusals_total",
            "wickline_line_noise_total",
            "wickline_numbers_missing_total",
        ] {
            counter!(name, "analyzer" => id.clone()).increment(0);
        }
        for outcome in Outcome::ALL.into_iter().filter(|one| *one != Outcome::Waiting) {
            counter!("wickline_line_questions_total", "analyzer" => id.clone(), "outcome" => outcome.code())
                .increment(0);
        }
        for trouble in Trouble::ALL {
            let kind = trouble.code();
            counter!("wickline_line_troubles_total", "analyzer" => id.clone(), "kind" => kind)
                .increment(0);
        }
        gauge!("wickline_line_silent", "analyzer" => id.clone()).increment(0.0);
    }
    for target in &bench.targets {
        counter!("wickline_receiver_failures_total", "receiver" => target.id.clone()).increment(0);
    }
    for ((kind, id), point) in points {
        let (name, label) = match kind {
            Kind::Line => ("wickline_line_up", "analyzer"),
            Kind::Receiver => ("wickline_receiver_up", "receiver"),
            _ => continue,
        };
        gauge!(name, label => id.clone()).set(u8::from(point.up));
    }
}

/// Everything that `status` shows, as one figure each: 1 where a person is needed. Written by hand, for what is not
/// there any more leaves no figure behind.
#[must_use]
pub fn wrong(now: &Now) -> String {
    let mut page = "# HELP wickline_wrong 1 where a person is needed, as `wickline status` says\n\
                    # TYPE wickline_wrong gauge\n"
        .to_owned();
    let mut all = BTreeMap::new();
    for finding in &now.findings {
        let wrong = all.entry((finding.about.text(), finding.which.as_str())).or_insert(false);
        *wrong |= finding.wrong;
    }
    for ((about, which), wrong) in all {
        // As the text format has them escaped.
        let which = which.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n");
        let one = u8::from(wrong);
        page.push_str(&format!("wickline_wrong{{about=\"{about}\",which=\"{which}\"}} {one}\n"));
    }
    page
}

/// The figures without those of analyzers and receivers that are not configured any more: nobody keeps them
/// true. An id has nothing in it that would be escaped.
#[must_use]
pub fn of_bench(page: &str, bench: &Bench) -> String {
    let named = |line: &str, label: &str| -> Option<String> {
        let (_, rest) = line.split_once(label)?;
        rest.split_once('"').map(|(id, _)| id.to_owned())
    };
    let known = |line: &&str| {
        let analyzer = named(line, "analyzer=\"").is_none_or(|id| bench.analyzer(&id).is_some());
        let receiver = named(line, "receiver=\"");
        let alarm = named(line, "alarm=\"");
        let alarm = alarm.is_none_or(|id| bench.alarms.iter().any(|a| a.id == id));
        analyzer && alarm && receiver.is_none_or(|id| bench.targets.iter().any(|t| t.id == id))
    };
    page.lines().filter(known).flat_map(|line| [line, "\n"]).collect()
}

/// Reads one receiver's queue.
pub async fn queue(ledger: &Ledger, target: &Target) {
    let Ok(counts) = ledger.within(ledger.waiting(&target.id)).await else { return };
    let now = clock::now_us();
    let states =
        [("waiting", counts.waiting), ("kept-back", counts.kept_back), ("refused", counts.refused)];
    for (state, count) in states {
        gauge!("wickline_queue_messages", "receiver" => target.id.clone(), "state" => state)
            .set(count as f64);
    }
    gauge!("wickline_queue_oldest_seconds", "receiver" => target.id.clone())
        .set(counts.oldest_s(now) as f64);
    gauge!("wickline_queue_late", "receiver" => target.id.clone())
        .set(u8::from(target.is_late(counts.waiting, counts.oldest_s(now))));
}

/// Counts what is held now.
pub async fn held(ledger: &Ledger) {
    if let Ok(count) = ledger.within(ledger.held_count()).await {
        gauge!("wickline_held_reports").set(count as f64);
    }
}

/// How an analyzer's controls stand now: the worst of its strips. None where nothing says what they
/// must read.
pub async fn controls(ledger: &Ledger, bench: &Bench, analyzer: &Analyzer) {
    let standing = ledger.control_standing(bench, analyzer, clock::now_us());
    let Ok(stands) = ledger.within(standing).await else { return };
    let rank = |state: &str| match state {
        "passed" => 0,
        "due" => 1,
        _ => 2,
    };
    let planned = stands.iter().map(|s| s.overall.state).filter(|state| *state != "no-plan");
    if let Some(worst) = planned.map(rank).max() {
        gauge!("wickline_controls_state", "analyzer" => analyzer.id.clone()).set(worst);
    }
}
