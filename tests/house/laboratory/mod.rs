//! A laboratory of three analyzers over many days, from a seed: power cuts, resets, re-exports, clock
//! errors, wrong ids, failed controls, new lots. At the end every strip is accounted for by a model of
//! its own; no control is in a patient's receiver; nothing went out while the door was shut; the day
//! sheets add up.

mod machine;
mod person;
mod receiver;
mod truth;

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use wickline::simulate::analyzer::Style;
use wickline::simulate::script::Dice;

use self::machine::{Counts, Kind, Machine, Strip};
use self::receiver::Listener;
use self::truth::{Arrived, Controls, Door, Outcome, Policy};
use crate::kit::{Daemon, Folder, rounds};
use crate::way::runtime;

/// 2026-10-12T00:00:00Z: the change of clocks in Lisbon is on the 25th.
const FIRST_DAY: i64 = 1_791_763_200;
const DAY: i64 = 86_400;
const HOUR: i64 = 3_600;
/// Seconds between two strips.
const STEP: i64 = 7;

/// What the laboratory decided for each analyzer.
const POLICIES: [Policy; 3] = [
    Policy { hold_when_due: true, urgent_goes: false },
    Policy { hold_when_due: true, urgent_goes: true },
    Policy { hold_when_due: false, urgent_goes: false },
];

/// The whole laboratory.
pub struct Laboratory {
    folder: Folder,
    library: PathBuf,
    config: PathBuf,
    daemon: Option<Daemon>,
    machines: Vec<Machine>,
    controls: Vec<Controls>,
    lis: Listener,
    qc: Listener,
    dice: Dice,
    /// How far our clock is ahead of the real one, in seconds.
    ahead: i64,
    patients: u32,
    /// How often each kind of trouble came.
    troubles: BTreeMap<&'static str, u32>,
}

fn configuration(lis: &str, qc: &str) -> String {
    let analyzer = |id: &str, dialect: &str, more: &str| {
        format!(
            "[[analyzer]]\nid = \"{id}\"\nline = \"listen:127.0.0.1:0\"\ndialect = \"{dialect}\"\n\
             controls_from = \"07:00\"\ncontrol_specimens = [\"QC-L1=1\", \"QC-L2=2\"]\n{more}\n"
        )
    };
    // Two lines may not have one address: each has its own of the loopback net.
    let line = |text: String, n: u8| text.replace("127.0.0.1:0", &format!("127.0.0.{n}:0"));
    let allow = "allow = [\"127.0.0.1\"]\n";
    let expect = |raised: bool| {
        ["BIL", "BLD", "GLU", "KET", "LEU", "PRO"]
            .map(|pad| format!("\"{pad}={}\"", if raised { "2+" } else { "NEG" }))
            .join(", ")
    };
    let lot = |level: &str, expect: String, nit: &str, uro: &str| {
        format!(
            "[[control]]\nlevel = \"{level}\"\nlot = \"KP-10{level}\"\nfirst_day = \"2026-01-01\"\n\
             last_day = \"2027-12-31\"\nexpect = [{expect}, \"NIT={nit}\", \"URO={uro}\", \"PH=6.0\", \"SG=1.012\"]\n"
        )
    };
    [
        "[site]\nname = \"Kestrel Point Clinic\"\nshort = \"KESTRELPOINT\"\ntimezone = \"Europe/Lisbon\"\n\
         specimen = \"KP[0-9]{6}[A-Z0-9]{1}\"\nspecimen_check = \"mod-37-36\"\nscanner_leading = [\"]C1\"]\n\
         [store]\ntape = \"tape.db\"\nledger = \"sqlite:ledger.db\"\nlow_water_mib = 1\nballast_mib = 0\n"
            .to_owned(),
        line(analyzer("bench-1", "two-column", allow), 1),
        line(analyzer("bench-2", "two-column", &format!("{allow}numbers = \"power-up\"\nurgent_goes = true")), 2),
        line(
            analyzer(
                "bench-3",
                "lis02",
                &format!("{allow}numbers = \"never\"\nnumber_last = 500\ncontrols_due = \"warn\""),
            ),
            3,
        ),
        lot("1", expect(false), "NEG", "0.3"),
        lot("2", expect(true), "POS", "2+"),
        format!("[[receiver]]\nid = \"lis\"\naddress = \"mllp://{lis}\"\nack_timeout = 2\nretry_first = 1\nretry_max = 1\n"),
        format!(
            "[[receiver]]\nid = \"qc\"\naddress = \"mllp://{qc}\"\nack_timeout = 2\nretry_first = 1\nretry_max = 1\n\
             controls = true\npatients = false\n"
        ),
    ]
    .concat()
}

impl Laboratory {
    async fn open(seed: u64) -> Self {
        let folder = Folder::new("laboratory");
        let library = crate::faults::preload(&folder);
        let (lis, qc) = (Listener::open().await, Listener::open().await);
        let text = configuration(&lis.address, &qc.address);
        let config = folder.write("wickline.toml", &text);
        let machines = vec![
            Machine::new("bench-1", Counts::Daily, Style::TwoColumn),
            Machine::new("bench-2", Counts::PowerUp, Style::TwoColumn),
            Machine::new("bench-3", Counts::Round(500), Style::Lis02),
        ];
        let mut lab = Self {
            folder,
            library,
            config,
            daemon: None,
            machines,
            controls: vec![Controls::default(); 3],
            lis,
            qc,
            dice: Dice::new(seed),
            ahead: 0,
            patients: 0,
            troubles: BTreeMap::new(),
        };
        lab.set_clock(FIRST_DAY + 6 * HOUR);
        lab.start().await;
        lab
    }

    async fn start(&mut self) {
        let daemon = Daemon::start_with(&self.config, &self.library, &self.folder.0);
        let lines = daemon.lines.clone();
        self.daemon = Some(daemon);
        for (machine, address) in self.machines.iter_mut().zip(&lines) {
            machine.connect(address).await;
        }
    }

    /// The clock of the whole house.
    fn set_clock(&mut self, now: i64) {
        self.ahead = now - real();
        // Whole at once: a clock read while it is written would be the real one.
        let path = self.folder.write("clock.new", &self.ahead.to_string());
        std::fs::rename(path, self.folder.0.join("clock")).expect("the clock can be set");
        self.lis.set(self.ahead);
        self.qc.set(self.ahead);
    }

    fn now(&self) -> i64 {
        real() + self.ahead
    }

    fn trouble(&mut self, what: &'static str) {
        *self.troubles.entry(what).or_default() += 1;
    }

    /// True once in so many times, and then it is counted.
    fn once_in(&mut self, sides: usize, what: &'static str) -> bool {
        let hit = self.dice.roll(sides) == 0;
        if hit {
            self.trouble(what);
        }
        hit
    }

    /// Reads one strip at a time. Its place in the analyzer's memory.
    fn read(&mut self, m: usize, kind: Kind, at: i64, raised: bool) -> usize {
        let mut strip = Strip {
            number: self.machines[m].count(),
            kind,
            specimen: String::new(),
            scanned: String::new(),
            at,
            clock: local(at),
            clock_right: true,
            rungs: BTreeMap::new(),
            day: day_text(at),
        };
        if truth::is_control(kind) {
            if raised {
                let pads = ["BIL", "BLD", "GLU", "KET", "LEU", "PRO"];
                let rungs = [2, 3, 3, 3, 3, 3];
                strip.rungs = pads.into_iter().zip(rungs).collect();
                strip.rungs.extend([("NIT", 1), ("URO", 2)]);
            }
        } else {
            self.patient(&mut strip);
        }
        self.machines[m].memory.push(strip);
        self.machines[m].memory.len() - 1
    }

    /// A patient's strip, with what people and scanners do wrong.
    fn patient(&mut self, strip: &mut Strip) {
        self.patients += 1;
        let body = format!("KP{:06}", self.patients);
        strip.specimen = format!("{body}{}", check_character(&body));
        strip.scanned.clone_from(&strip.specimen);
        if self.once_in(40, "blank id") {
            strip.scanned.clear();
        } else if self.once_in(50, "wrong check character") {
            strip.scanned.pop();
            strip.scanned.push(if strip.specimen.ends_with('A') { 'B' } else { 'A' });
        } else if self.once_in(10, "scanner prefix") {
            strip.scanned.insert_str(0, "]C1");
        }
        for pad in ["GLU", "PRO", "LEU", "BLD"] {
            if self.dice.roll(4) == 0 {
                strip.rungs.insert(pad, self.dice.roll(4));
            }
        }
        if self.once_in(120, "wrong year") {
            strip.clock.replace_range(0..4, "2019");
            strip.clock_right = false;
        } else if &strip.clock[6..8] < "11" && self.once_in(60, "day and month exchanged") {
            let (month, day) = (strip.clock[4..6].to_owned(), strip.clock[6..8].to_owned());
            strip.clock.replace_range(4..8, &format!("{day}{month}"));
            strip.clock_right = false;
        }
    }

    /// Runs both levels; the second may go wrong. The places in the memory.
    fn run_controls(&mut self, m: usize, at: i64, passes: bool) -> Vec<usize> {
        let first = self.read(m, Kind::Control('1'), at, false);
        let second = self.read(m, Kind::Control('2'), at + STEP, passes);
        let lot = self.controls[m].lots.last().map(|(_, l)| l.clone()).unwrap_or_default();
        for (level, at, passed) in [('1', at, true), ('2', at + STEP, passes)] {
            self.controls[m].outcomes.push(Outcome { at, level, passed, lot: lot.clone() });
        }
        vec![first, second]
    }

    /// Sends these strips, all in one go; some lines are not heard for a while. Waits until the last one
    /// that was sent is read.
    async fn send(&mut self, m: usize, places: &[usize], loses: bool) {
        let mut places = places.to_vec();
        let mut waiting = std::mem::take(&mut self.machines[m].waiting);
        waiting.append(&mut places);
        let mut last = None;
        let lost = if loses && waiting.len() > 3 {
            1 + self.dice.roll(waiting.len() - 2)
        } else {
            waiting.len()
        };
        for (n, place) in waiting.into_iter().enumerate() {
            // A pulled cable: a printing analyzer does not notice, the other keeps its strips.
            let pulled = n == lost;
            if pulled && self.machines[m].style == Style::TwoColumn {
                continue;
            }
            if pulled {
                self.machines[m].waiting.push(place);
            } else if self.machines[m].send(place).await {
                last = Some(place);
            }
        }
        if let Some(place) = last {
            self.read_up_to(m, place);
        }
    }

    /// Waits until the daemon says that it has read this strip.
    fn read_up_to(&mut self, m: usize, place: usize) {
        let (id, strip) = (self.machines[m].id, &self.machines[m].memory[place]);
        let number = strip.number;
        let is = |e: &serde_json::Value| {
            let own = e["number"].as_str().and_then(|n| n.parse::<i64>().ok());
            e["event"] == "report" && e["analyzer"] == id && own == Some(number)
        };
        self.daemon.as_mut().expect("it runs").wait_for(is);
    }

    /// One hour of the day on every analyzer.
    async fn hour(&mut self, morning: i64, hour: i64, strips: i64) {
        let now = morning + hour * HOUR;
        self.set_clock(now);
        for m in 0..self.machines.len() {
            if self.once_in(60, "power of the analyzer") {
                self.power(m);
            }
            let from = now - (strips + 3) * STEP;
            let places: Vec<usize> = (0..strips)
                .map(|n| {
                    let kind = if self.dice.roll(10) == 0 { Kind::Urgent } else { Kind::Routine };
                    self.read(m, kind, from + n * STEP, false)
                })
                .collect();
            if self.once_in(40, "daemon killed") {
                self.killed(m, &places).await;
                continue;
            }
            if self.once_in(60, "daemon stopped") {
                self.stopped(m, &places).await;
                continue;
            }
            let loses = self.once_in(8, "cable pulled");
            self.send(m, &places, loses).await;
            if self.once_in(15, "memory sent again") {
                let all = self.machines[m].memory.len();
                let again: Vec<usize> = (all.saturating_sub(12)..all).collect();
                self.send(m, &again, false).await;
            }
        }
        self.look().await;
    }

    /// The analyzer is switched off and on: some forget their count.
    fn power(&mut self, m: usize) {
        if !matches!(self.machines[m].counts, Counts::Round(_)) {
            self.machines[m].last = 0;
        }
    }

    /// Killed while the strips are on the line.
    async fn killed(&mut self, m: usize, places: &[usize]) {
        let (before, after) = places.split_at(places.len() / 2);
        for place in before {
            self.machines[m].send(*place).await;
        }
        self.daemon.take().expect("it runs").kill();
        self.start().await;
        self.send(m, after, false).await;
    }

    /// Stopped while the analyzer works on.
    async fn stopped(&mut self, m: usize, places: &[usize]) {
        let code = self.daemon.take().expect("it runs").stop();
        assert_eq!(code, 0, "it stops cleanly");
        self.start().await;
        if self.machines[m].style == Style::Lis02 {
            self.machines[m].waiting.extend(places);
        }
    }

    /// One day, from control material to the closed sheet.
    async fn day(&mut self, index: i64, strips: i64) {
        let morning = seven(FIRST_DAY + index * DAY + 12 * HOUR);
        self.set_clock(morning + 60);
        for m in 0..3 {
            if self.machines[m].counts == Counts::Daily {
                self.machines[m].last = 0;
            }
            if self.dice.roll(9) == 0 || index == 0 {
                self.trouble("new strip lot");
                self.new_lot(m, index);
            }
        }
        // Some begin without control material, some with a level that fails.
        let mut again = Vec::new();
        self.set_clock(morning + 1_200);
        for m in 0..3 {
            let late = self.once_in(8, "controls late");
            let fails = !late && self.once_in(5, "controls failed");
            if !late {
                let places = self.run_controls(m, morning + 900, !fails);
                self.send(m, &places, false).await;
            }
            if late || fails {
                again.push(m);
            }
        }
        let outage = self.once_in(4, "receiver away");
        for hour in 1..=9 {
            if outage && hour == 3 {
                self.lis.away().await;
            }
            self.hour(morning, hour, strips / 9).await;
            if hour == 2 {
                self.set_clock(morning + 2 * HOUR + 900);
                for m in std::mem::take(&mut again) {
                    let places = self.run_controls(m, morning + 2 * HOUR + 600, true);
                    self.send(m, &places, false).await;
                }
            }
            if outage && hour == 6 {
                self.lis.back().await;
            }
        }
        self.set_clock(morning + 11 * HOUR);
        self.evening(&day_text(morning)).await;
        self.check_day(&day_text(morning));
    }
}

fn real() -> i64 {
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    i64::try_from(now.expect("after 1970").as_secs()).expect("in range")
}

/// Lisbon by hand: an hour ahead of UTC until 2026-10-25T01:00Z.
fn offset(at: i64) -> i64 {
    if at < 1_792_890_000 { HOUR } else { 0 }
}

fn midnight(at: i64) -> i64 {
    let local = at + offset(at);
    let day = local - local.rem_euclid(DAY);
    // The day of the change begins with the old offset.
    day - offset(day - HOUR)
}

/// `YYYYMMDDHHMMSS` on the wall.
fn local(at: i64) -> String {
    let wall = at + offset(at);
    let (days, rest) = (wall.div_euclid(DAY), wall.rem_euclid(DAY));
    let (year, month, day) = civil(days);
    let (hour, minute, second) = (rest / 3600, rest / 60 % 60, rest % 60);
    format!("{year:04}{month:02}{day:02}{hour:02}{minute:02}{second:02}")
}

fn day_text(at: i64) -> String {
    let text = local(at);
    format!("{}-{}-{}", &text[0..4], &text[4..6], &text[6..8])
}

/// A date from days since 1970: the usual arithmetic of the Gregorian calendar.
fn civil(days: i64) -> (i64, i64, i64) {
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let doe = z.rem_euclid(146_097);
    let yoe = (doe - doe / 1460 + doe / 36_524 - doe / 146_096) / 365;
    let doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
    let mp = (5 * doy + 2) / 153;
    let (day, month) = (doy - (153 * mp + 2) / 5 + 1, if mp < 10 { mp + 3 } else { mp - 9 });
    (yoe + era * 400 + i64::from(month <= 2), month, day)
}

/// ISO/IEC 7064 MOD 37,36, written down again for the test.
fn check_character(body: &str) -> char {
    const LETTERS: &[u8] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ";
    let mut product = 36;
    for letter in body.bytes() {
        let value = LETTERS.iter().position(|l| *l == letter).expect("a letter of the alphabet");
        let sum = (product + value) % 36;
        product = if sum == 0 { 36 } else { sum } * 2 % 37;
    }
    let value = (37 - product) % 36;
    char::from(LETTERS[value])
}

/// Seven o'clock before a time.
fn morning_of(at: i64) -> i64 {
    let morning = seven(at);
    if morning <= at { morning } else { seven(at - DAY) }
}

/// Seven o'clock of a day, by the clock on the wall.
fn seven(at: i64) -> i64 {
    let midnight = midnight(at);
    let morning = midnight + 7 * HOUR;
    morning + offset(midnight) - offset(morning)
}

#[test]
fn every_strip_of_many_days_is_accounted_for() {
    let (days, strips) = (30, i64::try_from(rounds(36, 300)).expect("few"));
    runtime().block_on(async {
        // Another seed is another month.
        let seed = std::env::var("WICKLINE_SEED").ok().and_then(|s| s.parse().ok());
        let mut lab = Laboratory::open(seed.unwrap_or(2_026)).await;
        for index in 0..days {
            lab.day(index, strips).await;
        }
        lab.check_all();
        eprintln!("{} patients, {:?}", lab.patients, lab.troubles);
    });
}

impl Laboratory {
    /// Everything, at the end.
    fn check_all(&self) {
        let arrived = self.lis.all();
        let patients = truth::distinct(&arrived);
        let mut by_specimen: BTreeMap<String, Vec<&Arrived>> = BTreeMap::new();
        for one in &patients {
            assert!(!one.text.contains("|Q^Control"), "control material at the patients' receiver");
            by_specimen.entry(one.field("SPM", 2)).or_default().push(one);
        }
        for (m, machine) in self.machines.iter().enumerate() {
            for strip in machine.memory.iter().filter(|s| !truth::is_control(s.kind)) {
                let own = by_specimen.remove(&strip.specimen).unwrap_or_default();
                assert_eq!(own.len(), 1, "{} {strip:?}: {} messages", machine.id, own.len());
                self.check_patient(m, strip, own[0]);
            }
        }
        assert!(by_specimen.is_empty(), "nobody ran these: {:?}", by_specimen.keys());
        self.check_controls();
    }

    fn check_patient(&self, m: usize, strip: &Strip, message: &Arrived) {
        truth::check_results(strip, message);
        assert_eq!(message.field("OBR", 20).parse(), Ok(strip.number), "{strip:?}");
        assert_eq!(message.field("OBX", 18), self.machines[m].id);
        let urgent = message.text.contains("TQ1|1||||||||S^");
        assert_eq!(urgent, strip.kind == Kind::Urgent, "{strip:?}");
        let notes = message.notes();
        let right = strip.clock_right;
        assert_eq!(message.field("OBX", 19).starts_with(&strip.clock), right, "{strip:?}");
        let door = self.controls[m].door(strip.at, morning_of(strip.at));
        let policy = POLICIES[m];
        let goes = match door {
            Door::Open => true,
            Door::Due if !policy.hold_when_due => true,
            Door::Due | Door::Failed => policy.urgent_goes && strip.kind == Kind::Urgent,
        };
        if !goes {
            let let_go = self.controls[m].let_go(strip.at, message.at, morning_of);
            assert!(let_go, "{strip:?} went out while {door:?}, at {}", local(message.at));
        } else if right && door != Door::Open {
            assert!(notes.contains("Released while controls"), "{strip:?} went unmarked: {notes}");
        }
    }

    /// Every run of control material is at the receiver that asks for it, once.
    fn check_controls(&self) {
        let arrived = self.qc.all();
        let mut got: BTreeSet<(String, String, String)> = BTreeSet::new();
        for one in truth::distinct(&arrived) {
            assert!(one.text.contains("|Q^Control specimen^HL70369"), "{}", one.text);
            assert!(!one.text.contains("\rPID|"), "control material has no patient");
            let key = (one.field("OBX", 18), one.field("OBR", 20), one.field("OBX", 19));
            assert!(got.insert(key.clone()), "{key:?} came twice");
        }
        for machine in &self.machines {
            for strip in machine.memory.iter().filter(|s| truth::is_control(s.kind)) {
                let of = |key: &&(String, String, String)| {
                    key.0 == machine.id
                        && key.1.parse() == Ok(strip.number)
                        && key.2.starts_with(&strip.clock)
                };
                let key = got.iter().find(of).cloned();
                let key = key.unwrap_or_else(|| panic!("{} {strip:?} is not there", machine.id));
                got.remove(&key);
            }
        }
        assert!(got.is_empty(), "nobody ran these: {got:?}");
    }
}
