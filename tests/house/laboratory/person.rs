//! The technologist of the simulated laboratory: looks at what is held, has missing numbers sent again,
//! closes the day.

use std::process::Command;

use serde_json::Value;

use super::Laboratory;
use super::machine::{Counts, Strip};
use crate::kit::{PATIENCE, binary};

impl Laboratory {
    /// Runs a command under the laboratory's clock: exit code and JSON answer.
    fn command(&self, words: &[&str]) -> (i32, Value) {
        let output = Command::new(binary())
            .args(["--config", &self.config.to_string_lossy(), "--json"])
            .args(words)
            .env("LD_PRELOAD", &self.library)
            .env("FAULT_DIR", &self.folder.0)
            .output()
            .expect("the binary can be run");
        let code = output.status.code().expect("it ends by itself");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(code < 3, "{words:?}: {code}: {said}");
        let answer = serde_json::from_slice(&output.stdout).unwrap_or(Value::String(said));
        (code, answer)
    }

    pub(super) fn new_lot(&mut self, m: usize, index: i64) {
        let lot = format!("S-{m}{index:02}");
        let id = self.machines[m].id;
        let (code, said) = self.command(&[
            "controls",
            "lot",
            id,
            &lot,
            "--last-day",
            "2027-06-30",
            "--as",
            "J. Mast",
        ]);
        assert_eq!(code, 0, "{said}");
        let now = self.now();
        self.controls[m].lots.push((now, lot));
    }

    /// Looks at what is held and does what can be done about it.
    pub(super) async fn look(&mut self) {
        let (_, held) = self.command(&["held"]);
        for item in held["items"].as_array().expect("a list") {
            self.settle(item);
        }
    }

    fn settle(&mut self, item: &Value) {
        let id = item["id"].as_str().expect("an id");
        let open: Vec<&str> = item["holds"]
            .as_array()
            .expect("a held report says why")
            .iter()
            .filter(|h| h["cleared"] == false)
            .filter_map(|h| h["reason"].as_str())
            .collect();
        let has = |reason: &str| open.iter().any(|r| r.starts_with(reason));
        if has("specimen-") {
            let specimen = self.whose(item).specimen.clone();
            let (code, said) = self.command(&[
                "held",
                "identify",
                id,
                "--specimen",
                &specimen,
                "--again",
                &specimen,
                "--as",
                "J. Mast",
            ]);
            assert_eq!(code, 0, "{item}: {said}");
        }
        if has("number-reused") {
            let (code, said) = self.command(&[
                "held",
                "decide",
                id,
                "new-run",
                "--reason",
                "switched off and on",
                "--as",
                "J. Mast",
            ]);
            assert_eq!(code, 0, "{item}: {said}");
        }
        let releasable = open
            .iter()
            .all(|r| *r == "clock-off" || *r == "number-reused" || r.starts_with("specimen-"));
        if has("clock-off") && releasable {
            let (code, said) =
                self.command(&["held", "release", id, "--reason", "wrong year", "--as", "J. Mast"]);
            assert_eq!(code, 0, "{item}: {said}");
        }
    }

    /// The strip that an item is about: its number and what its clock said.
    fn whose(&self, item: &Value) -> &Strip {
        let machine = self.machines.iter().find(|m| item["analyzer"] == m.id).expect("one of ours");
        let taken: String = item["taken_at"].as_str().expect("a time")[..19]
            .chars()
            .filter(char::is_ascii_digit)
            .collect();
        let number: i64 = item["number"].as_str().and_then(|n| n.parse().ok()).expect("a number");
        let own = |s: &&Strip| s.number == number && s.clock == taken;
        machine.memory.iter().find(own).expect("it was run")
    }

    /// Until nothing is outstanding: held reports are settled, missing numbers come again, the last ones
    /// are confirmed, the day is closed.
    pub(super) async fn evening(&mut self, day: &str) {
        let end = std::time::Instant::now() + PATIENCE;
        for round in 0.. {
            assert!(std::time::Instant::now() < end, "{day} is not done: {}", self.open_items(day));
            self.look().await;
            self.fetch_missing(day).await;
            if round > 2 {
                self.explain_rest(day);
            }
            let mut words: Vec<String> =
                ["day", "close", day, "--as", "J. Mast"].map(String::from).into();
            for machine in &self.machines {
                for option in ["--last", "--again"] {
                    words.push(option.into());
                    let last = last_text(machine.counts, machine.last);
                    words.push(format!("{}={last}", machine.id));
                }
            }
            let words: Vec<&str> = words.iter().map(String::as_str).collect();
            let (code, said) = self.command(&words);
            match code {
                0 => return,
                1 => {}
                _ => panic!("{day} cannot be closed: {said}\n{}", self.open_items(day)),
            }
        }
    }

    /// All that the memories hold has been sent again, more than once: a number that is still called
    /// missing was given out in another run of numbers than the sheet has it in. That every strip came is
    /// held against the model all the same.
    fn explain_rest(&mut self, day: &str) {
        let (_, sheet) = self.command(&["day", day]);
        for item in sheet["items"].as_array().expect("a list") {
            if let (true, Some(id)) = (item["state"] == "missing", item["id"].as_str()) {
                self.trouble("explained by a person");
                let why = "all of its memory was read out";
                self.command(&[
                    "day", "explain", id, "--date", day, "--reason", why, "--as", "J. Mast",
                ]);
            }
        }
    }

    /// Has everything that is missing on a sheet sent again from the analyzers' memories.
    async fn fetch_missing(&mut self, day: &str) {
        let (_, sheet) = self.command(&["day", day]);
        let items = sheet["items"].as_array().expect("a list").clone();
        for m in 0..self.machines.len() {
            let id = self.machines[m].id;
            let missing: Vec<i64> = items
                .iter()
                .filter(|i| i["analyzer"] == id && i["state"] == "missing")
                .filter(|i| i["reason"] != "last-unknown")
                .filter_map(|i| range(i["number"].as_str()?))
                .flatten()
                .collect();
            // Nobody listened, and then it began again: only its memory knows what it gave out before.
            let unsure: Vec<&str> = items
                .iter()
                .filter(|i| i["analyzer"] == id && i["reason"] == "last-unknown")
                .filter(|i| i["state"] == "missing")
                .filter_map(|i| i["id"].as_str())
                .collect();
            let all = !unsure.is_empty();
            let of = |s: &Strip| s.day == day && (all || missing.contains(&s.number));
            let memory = &self.machines[m].memory;
            let places: Vec<usize> = (0..memory.len()).filter(|p| of(&memory[*p])).collect();
            if !places.is_empty() || !self.machines[m].waiting.is_empty() {
                self.trouble("memory read out");
                self.send(m, &places, false).await;
            }
            for item in unsure {
                let why = "all of its memory was read out";
                let words =
                    ["day", "explain", item, "--date", day, "--reason", why, "--as", "J. Mast"];
                let (code, said) = self.command(&words);
                assert!(code < 2, "{item}: {said}");
            }
        }
    }

    fn open_items(&self, day: &str) -> String {
        let (_, sheet) = self.command(&["day", day]);
        let done = ["accepted", "filed", "repeat", "set-aside", "explained"];
        let open = |i: &&Value| !done.contains(&i["state"].as_str().unwrap_or_default());
        let items = sheet["items"].as_array().expect("a list").iter().filter(open);
        items.take(20).map(|i| format!("{i}\n")).collect()
    }

    /// The sheet of a closed day against what was run: every strip of the day is on it, and what each
    /// receiver has adds up.
    pub(super) fn check_day(&self, day: &str) {
        let (code, sheet) = self.command(&["day", day]);
        assert_eq!(code, 0, "{day}: {}", self.open_items(day));
        assert_eq!(sheet["closed"]["who"], "J. Mast", "{day}");
        let items = sheet["items"].as_array().expect("a list");
        for machine in &self.machines {
            for strip in machine.memory.iter().filter(|s| s.day == day) {
                let own = |i: &&Value| {
                    i["analyzer"] == machine.id
                        && i["number"].as_str().and_then(|n| n.parse().ok()) == Some(strip.number)
                        && i["taken_at"].as_str().is_some_and(|t| {
                            let digits: String =
                                t[..19].chars().filter(char::is_ascii_digit).collect();
                            digits == strip.clock
                        })
                        && matches!(i["state"].as_str(), Some("accepted" | "filed"))
                };
                let there = items.iter().filter(own).count();
                assert_eq!(there, 1, "{day} {}: {strip:?}", machine.id);
            }
        }
        for (receiver, sums) in sheet["receivers"].as_object().expect("receivers") {
            let of = |state: &str| sums[state].as_u64().unwrap_or(0);
            let parts = ["held", "waiting", "accepted", "refused", "set-aside", "filed", "repeat"];
            let all: u64 = parts.into_iter().map(of).sum();
            assert_eq!(of("heard"), all, "{day} {receiver}: {sums}");
        }
    }
}

/// A number, or a range of them.
fn range(text: &str) -> Option<std::ops::RangeInclusive<i64>> {
    let (first, last) = text.split_once('-').unwrap_or((text, text));
    Some(first.parse().ok()?..=last.parse().ok()?)
}

fn last_text(counts: Counts, last: i64) -> String {
    match counts {
        Counts::Daily | Counts::PowerUp => format!("{last:04}"),
        Counts::Round(_) => last.to_string(),
    }
}
