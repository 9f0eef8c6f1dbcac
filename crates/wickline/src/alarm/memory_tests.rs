//! What is told once, again, not at night, and after a start.

use serde_json::Map;

use super::{Due, Memory};
use crate::settings::bench::{About, Alarm, To};
use crate::sheet::now::{Finding, Now};

const MINUTE: i64 = 60_000_000;

fn alarm(after_minutes: i64, again_hours: i64) -> Alarm {
    Alarm {
        id: "night".into(),
        to: To::Mail { to: "it@kestrelpoint.example".into(), command: Vec::new() },
        about: Vec::new(),
        after_us: after_minutes * MINUTE,
        again_us: again_hours * 60 * MINUTE,
        quiet: None,
    }
}

fn finding(about: About, which: &str, wrong: bool, urgent: bool) -> Finding {
    let (text, todo) = ("stopped: KP-20417 is no patient".into(), None);
    let outside = Some("stopped".into());
    Finding { about, which: which.into(), wrong, text, todo, urgent, outside, facts: Map::new() }
}

fn now(findings: &[Finding], whole: bool) -> Now {
    let (site, at, wrong) = (String::new(), String::new(), true);
    Now { site, at, wrong, whole, findings: findings.to_vec() }
}

/// How many begin, last and are over.
fn counts(due: &Due) -> (usize, usize, usize) {
    (due.begun.len(), due.still.len(), due.over.len())
}

fn lis(wrong: bool, urgent: bool) -> Now {
    now(&[finding(About::Receiver, "lis", wrong, urgent)], true)
}

/// A look at a minute, what is due then, and that it was told.
fn at(
    memory: &mut Memory,
    alarm: &Alarm,
    now: &Now,
    minute: i64,
    quiet: bool,
) -> (usize, usize, usize) {
    memory.look(alarm, now, minute * MINUTE, false);
    let due = memory.due(alarm, minute * MINUTE, quiet);
    let found = counts(&due);
    memory.told(due, minute * MINUTE);
    found
}

#[test]
fn it_is_told_once_when_it_lasts_again_after_hours_and_once_when_it_is_over() {
    let (alarm, mut memory) = (alarm(5, 1), Memory::default());
    for (minute, wrong, wanted) in [
        (0, true, (0, 0, 0)),
        (4, true, (0, 0, 0)),
        (5, true, (1, 0, 0)),
        (6, true, (0, 0, 0)),
        (64, true, (0, 0, 0)),
        (65, true, (0, 1, 0)),
        (66, true, (0, 0, 0)),
        (70, false, (0, 0, 1)),
        (71, false, (0, 0, 0)),
        // What does not last is never told.
        (80, true, (0, 0, 0)),
        (84, false, (0, 0, 0)),
        (86, true, (0, 0, 0)),
        (91, true, (1, 0, 0)),
    ] {
        assert_eq!(at(&mut memory, &alarm, &lis(wrong, false), minute, false), wanted, "{minute}");
    }
}

#[test]
fn what_was_not_delivered_is_due_as_long_as_it_is_so() {
    let (alarm, mut memory) = (alarm(0, 0), Memory::default());
    for (minute, wrong, wanted) in [(0, true, 1), (1, true, 1), (2, false, 0)] {
        memory.look(&alarm, &lis(wrong, false), minute * MINUTE, false);
        let due = memory.due(&alarm, minute * MINUTE, false);
        assert_eq!(counts(&due), (wanted, 0, 0), "{minute}");
    }
}

#[test]
fn in_quiet_hours_only_what_cannot_wait_is_told() {
    let (alarm, mut memory) = (alarm(0, 0), Memory::default());
    for (minute, wrong, urgent, quiet, wanted) in [
        (0, true, false, true, (0, 0, 0)),
        (1, true, false, false, (1, 0, 0)),
        (2, false, false, true, (0, 0, 0)),
        (3, false, false, false, (0, 0, 1)),
        // What grows urgent is told anew, also at night, and so is that it is over.
        (4, true, false, false, (1, 0, 0)),
        (5, true, true, true, (1, 0, 0)),
        (6, true, true, true, (0, 0, 0)),
        (7, false, false, true, (0, 0, 1)),
    ] {
        let found = at(&mut memory, &alarm, &lis(wrong, urgent), minute, quiet);
        assert_eq!(found, wanted, "{minute}");
    }
}

#[test]
fn without_the_ledger_nothing_else_begins_or_ends() {
    let (alarm, mut memory) = (alarm(0, 0), Memory::default());
    assert_eq!(at(&mut memory, &alarm, &lis(true, false), 0, false), (1, 0, 0));
    let away = now(&[finding(About::Store, "ledger", true, true)], false);
    assert_eq!(at(&mut memory, &alarm, &away, 1, false), (1, 0, 0));
    assert_eq!(at(&mut memory, &alarm, &away, 2, false), (0, 0, 0));
    assert_eq!(at(&mut memory, &alarm, &lis(true, false), 3, false), (0, 0, 1));
    assert_eq!(at(&mut memory, &alarm, &lis(false, false), 4, false), (0, 0, 1));
}

#[test]
fn it_is_about_what_was_asked_for_and_not_about_itself() {
    let mut alarm = alarm(0, 0);
    let all = [
        finding(About::Receiver, "lis", true, false),
        finding(About::Alarm, "night", true, false),
        finding(About::Alarm, "day", true, false),
    ];
    assert_eq!(at(&mut Memory::default(), &alarm, &now(&all, true), 0, false), (2, 0, 0));
    alarm.about = vec![About::Receiver];
    assert_eq!(at(&mut Memory::default(), &alarm, &now(&all, true), 0, false), (1, 0, 0));
}

#[test]
fn a_start_tells_nothing_twice_and_what_ended_meanwhile() {
    let folder = crate::testing::scratch("alarm-memory");
    let path = folder.join("tape.alarm-night");
    let (alarm, mut memory) = (alarm(0, 0), Memory::read(&path));
    assert_eq!(at(&mut memory, &alarm, &lis(true, false), 0, false), (1, 0, 0));
    memory.keep(&path).expect("kept");
    let kept = std::fs::read_to_string(&path).expect("a file");
    assert!(kept.contains("stopped") && !kept.contains("KP-20417"), "{kept}");
    let mut memory = Memory::read(&path);
    assert_eq!(at(&mut memory, &alarm, &lis(true, false), 1, false), (0, 0, 0));
    assert_eq!(at(&mut memory, &alarm, &lis(false, false), 2, false), (0, 0, 1));
    // A daemon that has just started sees nothing wrong yet: that is no end.
    let mut memory = Memory::read(&path);
    memory.look(&alarm, &lis(false, false), 2 * MINUTE, true);
    assert!(memory.due(&alarm, 2 * MINUTE, false).is_empty());
    assert_eq!(at(&mut memory, &alarm, &lis(false, false), 3, false), (0, 0, 1));
    // Nor is it one that nobody wants to know of it any more.
    let (mut lines, mut memory) = (alarm.clone(), Memory::read(&path));
    lines.about = vec![About::Line];
    assert_eq!(at(&mut memory, &lines, &lis(false, false), 2, false), (0, 0, 0));
    std::fs::write(&path, "{").expect("written");
    let mut memory = Memory::read(&path);
    assert_eq!(at(&mut memory, &alarm, &lis(true, false), 3, false), (1, 0, 0));
}
