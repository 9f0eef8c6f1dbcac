//! What happened, counted for the metrics. Their names and meanings are in `console/meters.rs`.

use metrics::{counter, gauge};
use wickline_listen::line::Trouble;

use super::event::Event;
use crate::clock;
use crate::store::rows::line_query::Outcome;

/// Counts what happened.
pub fn told(event: &Event) {
    match event {
        Event::Report { analyzer, class, state, reason, .. } => {
            counter!("wickline_reports_total", "analyzer" => analyzer.clone(), "class" => *class,
                "state" => *state)
            .increment(1);
            if let Some(reason) = reason.filter(|_| *state == "held") {
                counter!("wickline_holds_total", "analyzer" => analyzer.clone(), "reason" => reason)
                    .increment(1);
            }
            let seconds = clock::now_us() / 1_000_000;
            gauge!("wickline_last_report_seconds", "analyzer" => analyzer.clone())
                .set(seconds as f64);
        }
        Event::Missing { analyzer, count, .. } => {
            let count = u64::try_from(*count).unwrap_or(0);
            counter!("wickline_numbers_missing_total", "analyzer" => analyzer.clone())
                .increment(count);
        }
        // One that waits is counted when it is known what became of it.
        Event::LineAsked { analyzer, outcome, .. }
        | Event::LineAnswered { analyzer, outcome, .. }
            if *outcome != Outcome::Waiting.code() =>
        {
            counter!("wickline_line_questions_total", "analyzer" => analyzer.clone(), "outcome" => *outcome)
                .increment(1);
        }
        Event::LineUp { analyzer, .. } => {
            counter!("wickline_line_opens_total", "analyzer" => analyzer.clone()).increment(1);
            gauge!("wickline_line_up", "analyzer" => analyzer.clone()).set(1);
        }
        Event::LineTakenOver { analyzer, .. } => {
            counter!("wickline_line_takeovers_total", "analyzer" => analyzer.clone()).increment(1);
        }
        Event::LineRefused { analyzer, .. } => {
            counter!("wickline_line_refusals_total", "analyzer" => analyzer.clone()).increment(1);
        }
        Event::LineTroubles { analyzer, more, .. } => {
            for trouble in Trouble::ALL.into_iter().filter(|trouble| more.of(*trouble) > 0) {
                counter!("wickline_line_troubles_total", "analyzer" => analyzer.clone(),
                    "kind" => trouble.code())
                .increment(more.of(trouble));
            }
        }
        Event::LineNoise { analyzer, more, .. } => {
            counter!("wickline_line_noise_total", "analyzer" => analyzer.clone())
                .increment(more.bursts);
        }
        Event::LineSilent { analyzer, .. } => {
            gauge!("wickline_line_silent", "analyzer" => analyzer.clone()).set(1);
        }
        Event::LineSpeaks { analyzer } => {
            gauge!("wickline_line_silent", "analyzer" => analyzer.clone()).set(0);
        }
        Event::Tee { analyzer, up, more, .. } => {
            counter!("wickline_tee_lost_bytes_total", "analyzer" => analyzer.clone())
                .increment(*more);
            gauge!("wickline_tee_up", "analyzer" => analyzer.clone()).set(u8::from(*up));
        }
        Event::LineDown { analyzer, .. } => {
            gauge!("wickline_line_up", "analyzer" => analyzer.clone()).set(0);
        }
        Event::Delivery { receiver, state, .. } => {
            counter!("wickline_deliveries_total", "receiver" => receiver.clone(), "outcome" => *state)
                .increment(1);
        }
        Event::ReceiverDown { receiver, .. } => {
            counter!("wickline_receiver_failures_total", "receiver" => receiver.clone())
                .increment(1);
            gauge!("wickline_receiver_up", "receiver" => receiver.clone()).set(0);
        }
        Event::Alarm { alarm, up, .. } => {
            gauge!("wickline_alarm_up", "alarm" => alarm.clone()).set(u8::from(*up));
        }
        Event::ReceiverUp { receiver } => {
            gauge!("wickline_receiver_up", "receiver" => receiver.clone()).set(1);
        }
        other => told_of_orders(other),
    }
}

fn told_of_orders(event: &Event) {
    match event {
        Event::Orders { source, taken, refused, again, .. } => {
            let count = |n: &usize| u64::try_from(*n).unwrap_or(0);
            for (outcome, many) in
                [("taken", count(taken)), ("refused", count(refused)), ("again", u64::from(*again))]
            {
                counter!("wickline_orders_total", "source" => source.clone(), "outcome" => outcome)
                    .increment(many);
            }
        }
        Event::Asked { source, said, .. } => {
            counter!("wickline_questions_total", "source" => source.clone(), "said" => *said)
                .increment(1);
        }
        Event::SourceUp { source, .. } => {
            gauge!("wickline_source_up", "source" => source.clone()).set(1);
        }
        Event::SourceDown { source, .. } => {
            gauge!("wickline_source_up", "source" => source.clone()).set(0);
        }
        _ => {}
    }
}
