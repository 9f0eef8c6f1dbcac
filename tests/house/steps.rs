//! The wall clock steps under the running daemon, by an hour or a day, either way: nothing is lost or
//! doubled, the order stays, no pause lasts a day and nothing runs hot. What was heard before the time
//! that its print names is held, said, and goes when a person says so.

use std::time::{Duration, Instant};

use wickline::simulate::analyzer::Style;

use crate::faults::preload;
use crate::kit::{Daemon, Folder, ask, rounds, run};
use crate::way::{analyzer, check, gather, practice, runtime, script};

const HOUR: i64 = 3600;
const DAY: i64 = 24 * HOUR;

/// Each step meets reports on the line, a pause after a failure and messages that wait.
#[test]
fn the_wall_clock_steps_and_nothing_is_lost_or_waits_for_it() {
    let folder = Folder::new("steps");
    let library = preload(&folder);
    let clock = folder.write("clock", "0");
    runtime().block_on(async {
        // Every third message meets a receiver that is busy or mute: a pause is noted with its end.
        let (mut receiver, port, config) =
            practice(&folder, &["aa", "aa", "busy", "aa", "aa", "none"]).await;
        let mut daemon = Daemon::start_with(&config, &library, &folder.0);
        let script = script(12 * rounds(1, 10), 21);
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        let steps = [DAY, 0, -DAY, 0, HOUR, -HOUR, -DAY, DAY, 0];
        let mut bench = analyzer(port, Style::Lis02);
        bench.pause = Duration::from_millis(150);
        let mut got = Vec::new();
        {
            let mut nth = 0;
            let way = bench.run(&script, |_, _| {
                let step = steps[nth % steps.len()];
                std::fs::write(&clock, step.to_string()).expect("the clock can be set");
                nth += 1;
            });
            tokio::pin!(way);
            loop {
                tokio::select! {
                    done = &mut way => { done.expect("the line holds"); break }
                    message = receiver.next() => got.extend(message),
                }
            }
        }
        // A day back while everything waits: no retry may wait for the day to come again.
        std::fs::write(&clock, (-DAY).to_string()).expect("the clock can be set");
        let stepped = Instant::now();
        // What was heard while the clock was a day or an hour behind its print is held for a person.
        let held = || ask(&config, &["held"])["items"].as_array().expect("a list").clone();
        let settled = |n: usize| ask(&config, &["queue"])["totals"]["accepted"] == n;
        let done = || settled(wanted.len() - held().len());
        gather(&mut receiver, &mut got, done).await;
        assert!(stepped.elapsed() < Duration::from_secs(30), "waited {:?}", stepped.elapsed());
        let held = held();
        assert!(!held.is_empty() && held.iter().all(|i| i["reason"] == "clock-off"), "{held:?}");
        let held_back = |of: &String| held.iter().any(|i| i["specimen"] == of.as_str());
        let (late, plain): (Vec<_>, Vec<_>) = wanted.iter().cloned().partition(held_back);
        check(&got, &plain);
        for item in &held {
            let id = item["id"].as_str().expect("an id");
            let done = run(&config, &["held", "release", id, "--reason", "the clock stepped"]);
            assert_eq!(done.status.code(), Some(0));
        }
        gather(&mut receiver, &mut got, || settled(wanted.len())).await;
        check(&got, &[plain, late].concat());
        let (worked, from) = (daemon.worked_ms(), Instant::now());
        let idle = daemon.tells(Duration::from_secs(1), |_| false);
        assert!(idle.is_none());
        let (worked, span) = (daemon.worked_ms() - worked, from.elapsed());
        assert!(worked < 200, "{worked} ms of work in {span:?} with nothing to do");
        assert_eq!(daemon.stop(), 0);
    });
}

/// A pause that was noted before a step and a restart ends within the longest pause.
#[test]
fn a_pause_noted_in_the_future_is_not_waited_out_after_a_restart() {
    let folder = Folder::new("future");
    let library = preload(&folder);
    let clock = folder.write("clock", &DAY.to_string());
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["busy", "busy", "aa"]).await;
        let mut daemon = Daemon::start_with(&config, &library, &folder.0);
        let script = script(2, 21);
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script, |_, _| ()).await.expect("the line holds");
        daemon.wait_for(|e| e["event"] == "receiver-down");
        let tried = || ask(&config, &["queue"])["items"][0]["next_attempt_at"].is_string();
        let end = Instant::now() + crate::kit::PATIENCE;
        while !tried() && Instant::now() < end {}
        daemon.kill();
        std::fs::write(&clock, "0").expect("the clock can be set");
        let daemon = Daemon::start_with(&config, &library, &folder.0);
        let started = Instant::now();
        let mut got = Vec::new();
        let done = || ask(&config, &["queue"])["totals"]["accepted"] == 2;
        gather(&mut receiver, &mut got, done).await;
        assert!(started.elapsed() < Duration::from_secs(20), "waited {:?}", started.elapsed());
        check(&got, &wanted);
        assert_eq!(daemon.stop(), 0);
    });
}
