//! What a person read on the paper, held against what the dialect reads and what a receiver would find.

use std::collections::BTreeSet;
use std::fmt;

use serde::Serialize;
use wickline_normalize::judge::Judged;
use wickline_normalize::{Moment, PrintedReading, Report, Status, Text};

use super::expect::{End, Obx, cut};
use super::sheet::{Pad, Rung, alike};
use super::truth::{Typed, TypedReading};
use super::{Outcome, Trial};

/// One thing that a person typed, and what became of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Held {
    /// Whose capture, and the report's place in it from 1.
    pub capture: String,
    pub report: String,
    /// `number`, `GLU`, `message`.
    pub label: String,
    pub typed: String,
    /// What was found, in what was read or in the message.
    pub read: String,
    pub sent: String,
    pub verdict: &'static str,
    pub differs: bool,
}

impl Held {
    #[must_use]
    pub fn new(
        capture: &str,
        nth: usize,
        what: &str,
        typed: String,
        found: String,
        alike: bool,
    ) -> Held {
        let none = String::new();
        let (read, sent) = if what.starts_with("message") { (none, found) } else { (found, none) };
        Held {
            capture: capture.to_owned(),
            report: nth.to_string(),
            label: what.to_owned(),
            typed,
            read,
            sent,
            verdict: if alike { "as typed" } else { "differs" },
            differs: !alike,
        }
    }
}

/// A report of a capture and its truth, of this class: held against each other.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Proved {
    pub class: String,
    pub lines: Vec<Held>,
    /// It went the way that a result of its class goes, all of it as typed: not one that was meant to be held.
    pub counts: bool,
    /// The dialect's words for ends that its readings show, each read as it was typed.
    pub words: BTreeSet<String>,
    /// A reading with the number of an end of a ladder was read as it was typed.
    pub shows_end: bool,
}

impl Proved {
    #[must_use]
    pub fn differs(&self) -> bool {
        self.lines.iter().any(|line| line.differs)
    }
}

/// A code under which a result was sent, with its unit.
struct Coded {
    code: String,
    unit: String,
}

impl Coded {
    /// Whether the receiver's list means it: `UGLU`, or with the unit that the list has, `UGLU mg/dL`.
    fn is(&self, listed: &str) -> bool {
        let (code, unit) = listed.split_once(' ').unwrap_or((listed, ""));
        self.code == listed || self.code == code && self.unit == unit.trim()
    }
}

impl fmt::Display for Coded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let gap = if self.unit.is_empty() { "" } else { " " };
        write!(f, "{}{gap}{}", self.code, self.unit)
    }
}

impl Trial<'_> {
    /// Holds one report against its truth.
    pub fn against(&self, capture: &str, nth: usize, typed: &Typed, print: &Report) -> Proved {
        let (judged, outcome) = self.tell_own(print, &format!("PRV{}T{nth}", self.series));
        let mut lines = Vec::new();
        let mut put = |what: &str, typed: String, found: String, alike: bool| {
            lines.push(Held::new(capture, nth, what, typed, found, alike));
        };
        for (what, found) in facts(print, &judged, &outcome) {
            let typed = typed.of(what).to_owned();
            // What few papers have stands in the table where one of them has it.
            let rare = match what {
                "level" | "lot" => judged.class.code() != "control",
                _ => what.starts_with("strip-"),
            };
            if rare && typed.is_empty() && found.is_empty() {
                continue;
            }
            let alike = typed == found;
            // Who gives no reason has not said that no other one is hidden behind it.
            let hint = format!("{found} (if that is right by the paper, write `{found}`)");
            let bare = typed == "held" && found.starts_with("held: ");
            put(what, typed, if bare { hint } else { found }, alike);
        }
        // A strip that nobody names is the analyzer's first; where none was chosen, the report is held for that.
        if judged.strip != self.sheet.id && !(judged.strip.is_empty() && typed.strip.is_empty()) {
            put("strip", self.sheet.id.clone(), judged.strip.clone(), false);
        }
        let (words, shows_end) = self.readings_against(typed, print, &judged, &mut put);
        if let End::Sent(sent) = &outcome.end
            && typed.end == "sent"
        {
            self.sent_against(typed, &outcome, sent, &mut put);
        }
        self.codes_against(typed, &outcome.end, &mut put);
        let goes = typed.end == "sent" || typed.end == "filed";
        let counts = goes && lines.iter().all(|line| !line.differs);
        Proved { class: typed.class.clone(), lines, counts, words, shows_end }
    }

    /// Each reading that was typed; the dialect's words for ends that those show which are as they were typed, and
    /// whether one of them is an end.
    fn readings_against(
        &self,
        typed: &Typed,
        print: &Report,
        judged: &Judged,
        put: &mut impl FnMut(&str, String, String, bool),
    ) -> (BTreeSet<String>, bool) {
        let (off, there): (Vec<_>, Vec<_>) =
            typed.readings.iter().partition(|one| self.is_off(one));
        let count = (there.len(), print.readings.len());
        if count.0 != count.1 {
            put("readings", count.0.to_string(), count.1.to_string(), false);
        }
        for one in off {
            let found =
                print.readings.iter().find(|found| plain(&found.label) == plain(&one.label));
            let read = found.map_or_else(|| "no result".to_owned(), shown);
            put(&one.label, one.text(), read, found.is_none());
        }
        let with_unit = typed.readings.iter().find(|one| !one.unit.is_empty());
        if let Some(one) = with_unit.filter(|_| self.habits.unit_implied) {
            let found = "no unit at any number, by unit_implied of the dialect".to_owned();
            put(&one.label, format!("unit {}", one.unit), found, false);
        }
        let (mut words, mut shows_end) = (BTreeSet::new(), false);
        for (one, at) in there.iter().zip(pairs(&there, &print.readings)) {
            let found = at.and_then(|n| print.readings.get(n));
            let read = found.map_or_else(String::new, shown);
            let same = found.is_some_and(|found| self.same(one, found));
            put(&one.label, one.text(), read, same);
            words.extend(self.word_of(one, print).filter(|_| same));
            shows_end |= same && self.is_end(one);
            // What the label stands for, by the strip's file, and by what the program took it for.
            let sheet = self.sheet.named(&one.label).map_or("no pad", |pad| &pad.id);
            let taken = at.and_then(|n| judged.readings.get(n)).and_then(|r| r.analyte.as_ref());
            let taken = taken.map_or_else(|| "no pad".to_owned(), ToString::to_string);
            if sheet != one.pad || taken != one.pad {
                let found = if sheet == one.pad { &taken } else { sheet };
                put(&one.label, format!("is {}", one.pad), format!("is {found}"), false);
            }
        }
        (words, shows_end)
    }

    /// The number of an end of a ladder was typed, with its sign or as the print has it.
    fn is_end(&self, typed: &TypedReading) -> bool {
        let pad = self.sheet.pad(&typed.pad).filter(|_| !typed.value.is_empty());
        let rung = pad.and_then(|pad| self.rung(pad, typed).ok());
        let label = rung.and_then(|rung| rung.labels[usize::from(self.prints_si)].clone());
        label.is_some_and(|label| !cut(&label).0.is_empty())
    }

    /// The dialect's word that stands on the paper before a number which was typed with a sign, behind it or behind its
    /// unit.
    fn word_of(&self, typed: &TypedReading, print: &Report) -> Option<String> {
        let value = plain(&typed.value);
        let (sign, digits) = cut(&value);
        let before = |text: &str, word: &str| {
            text.match_indices(word).any(|(at, _)| {
                let rest = text.get(at + word.len()..).unwrap_or("").trim_start().replace(',', ".");
                let own = rest.trim_end_matches(|c: char| !c.is_ascii_digit() && c != '.');
                let end = own.find(|c: char| !c.is_ascii_digit() && c != '.' && c != '-');
                own.get(..end.unwrap_or(own.len())) == Some(digits)
            })
        };
        let ends = |text: &str| {
            let own = text.trim_end_matches(|c: char| c.is_ascii_digit() || matches!(c, '.' | '-'));
            text.get(own.len()..) == Some(digits)
        };
        let behind = |text: &str, word: &str| {
            text.match_indices(word).any(|(at, _)| {
                let head = text.get(..at).unwrap_or("").trim_end().replace(',', ".");
                let unitless = head.rsplit_once(' ').map_or("", |(number, _)| number.trim_end());
                ends(&head) || ends(unitless)
            })
        };
        let stands = |text: &str, word: &str| before(text, word) || behind(text, word);
        let shows = |word: &str| print.lines.iter().any(|l| stands(l.text.expose(), word));
        let words = self.habits.comparators.iter().map(|(word, _)| word);
        words.filter(|word| !sign.is_empty() && shows(word)).max_by_key(|word| word.len()).cloned()
    }

    /// What was sent, held against what was typed.
    fn sent_against(
        &self,
        typed: &Typed,
        outcome: &Outcome,
        sent: &[Obx],
        put: &mut impl FnMut(&str, String, String, bool),
    ) {
        let expected = self.of_truth(typed);
        let words = |list: &[Obx]| End::Sent(list.to_vec()).to_string();
        match &expected {
            Ok(expected) => put("message", words(expected), words(sent), expected == sent),
            Err(why) => put("message", why.clone(), words(sent), false),
        }
        let urgent = typed.class == "stat";
        let word = |stat: bool| if stat { "urgent" } else { "routine" }.to_owned();
        put("priority", word(urgent), word(outcome.heard.stat), urgent == outcome.heard.stat);
        let ids = outcome.heard.ids.join(", ");
        let own = outcome.heard.ids.contains(&typed.specimen);
        put("message's ids", typed.specimen.clone(), ids, own);
    }

    /// What the receiver's own list calls the results of a reading, where somebody looked: each that is sent has its
    /// name there, and no name stands for what is not sent.
    fn codes_against(
        &self,
        typed: &Typed,
        end: &End,
        put: &mut impl FnMut(&str, String, String, bool),
    ) {
        for one in typed.readings.iter().filter(|one| !one.code.is_empty()) {
            let (found, alike) = match end {
                End::Sent(sent) => self.codes_sent(one, sent),
                End::Filed => {
                    ("nothing is sent as a patient's: filed, as control material".into(), false)
                }
                held @ End::Held(_) => (format!("nothing is sent: {held}"), false),
            };
            put(&one.label, one.code.clone(), found, alike);
        }
    }

    fn codes_sent(&self, one: &TypedReading, sent: &[Obx]) -> (String, bool) {
        let results = self.codes_of(&one.pad, one, sent);
        let listed: Vec<&str> =
            one.code.split(';').map(str::trim).filter(|c| !c.is_empty()).collect();
        let is_listed = |names: &Vec<Coded>| names.iter().any(|n| listed.iter().any(|l| n.is(l)));
        let is_sent = |listed: &&str| results.iter().flatten().any(|name| name.is(listed));
        let alike =
            !listed.is_empty() && listed.iter().all(is_sent) && results.iter().all(is_listed);
        let names = |names: &Vec<Coded>| {
            names.iter().map(ToString::to_string).collect::<Vec<_>>().join(" or ")
        };
        let found: Vec<String> = results.iter().map(names).collect();
        (if found.is_empty() { "nothing of it is sent".into() } else { found.join("; ") }, alike)
    }

    /// A pad that the paper calls switched off is no reading.
    fn is_off(&self, typed: &TypedReading) -> bool {
        self.habits.off.contains(&typed.grade)
    }

    /// The same text, but for blanks, the sign of decimals and the way to write a comparator and a micro sign.
    fn same(&self, typed: &TypedReading, found: &PrintedReading) -> bool {
        let parts = |list: Vec<String>| -> Vec<String> {
            let mut list: Vec<String> = list.into_iter().filter(|t| !t.is_empty()).collect();
            list.sort();
            list
        };
        if found.status == Status::Unread {
            let pad = self.sheet.named(&typed.label);
            let words = pad.into_iter().flat_map(|pad| &pad.unread).chain(&self.habits.unread);
            return plain(&typed.label) == plain(&found.label)
                && typed.value.is_empty()
                && words.into_iter().any(|word| plain(word) == plain(&typed.grade));
        }
        let own = parts(vec![plain(&typed.grade), plain(&typed.value)]);
        let theirs = parts(found.parts.iter().map(|part| plain(part)).collect());
        let mark = found.mark.as_ref().map_or("", |mark| mark.text.trim());
        plain(&typed.label) == plain(&found.label)
            && own == theirs
            && plain(&typed.unit) == plain(found.unit.as_deref().unwrap_or(""))
            && bracketless(&typed.mark) == bracketless(mark)
    }

    /// What a receiver should find, by what was typed, the strip's file and the receiver's keys.
    fn of_truth(&self, typed: &Typed) -> Result<Vec<Obx>, String> {
        let mut pads: Vec<(usize, usize, Vec<Obx>)> = Vec::new();
        for one in typed.readings.iter().filter(|one| !self.is_off(one)) {
            let at = self.sheet.pads.iter().position(|pad| pad.id == one.pad);
            let Some((at, pad)) = at.zip(self.sheet.pad(&one.pad)) else {
                return Err(format!("the strip has no pad {}", one.pad));
            };
            let rung = self.rung(pad, one)?;
            let own = bracketless(&one.mark);
            let mark = self.habits.marks.iter().find(|(sign, _)| bracketless(sign) == own);
            let mark = mark.map_or("", |(_, meaning)| meaning.as_str());
            let results = self.wishes.results(pad, &rung, !one.value.is_empty(), mark)?;
            pads.extend(self.wishes.place(&one.pad).map(|place| (place, at, results)));
        }
        pads.sort_by_key(|(place, at, _)| (*place, *at));
        Ok(pads.into_iter().flat_map(|(_, _, results)| results).collect())
    }

    /// The rung that a grade and a value stand on, by the strip's file.
    fn rung(&self, pad: &Pad, one: &TypedReading) -> Result<Rung, String> {
        let system = usize::from(self.prints_si);
        let value = plain(&one.value);
        if let Some(measured) = &pad.measured {
            let labels = measured.labels(&value);
            return Ok(Rung { grade: None, text: None, labels, flag: "range".into() });
        }
        let word = one.grade.trim();
        let graded = |rung: &Rung| match &rung.grade {
            None => word.is_empty(),
            Some(grade) => {
                let words = pad.words.get(grade).into_iter().flatten();
                let mut words = [grade].into_iter().chain(&rung.text).chain(words);
                word.is_empty() || words.any(|known| alike(known, word))
            }
        };
        let numbered = |rung: &Rung| match &rung.labels[system] {
            None => value.is_empty(),
            Some(label) => value.is_empty() || *label == value,
        };
        let bare = |rung: &Rung| {
            rung.labels[system]
                .as_deref()
                .map(cut)
                .is_some_and(|(sign, digits)| digits == value && matches!(sign, "" | "<=" | ">="))
        };
        let mut found = pad.rungs.iter().filter(|rung| graded(rung) && numbered(rung));
        let found = found.next().or_else(|| pad.rungs.iter().find(|r| graded(r) && bare(r)));
        let text = one.text();
        found.cloned().ok_or_else(|| format!("{} has no rung for {text}", pad.id))
    }

    /// The names of each sent result that is this pad's, by the value that was typed: a number's, or a grade's.
    fn codes_of(&self, pad: &str, one: &TypedReading, sent: &[Obx]) -> Vec<Vec<Coded>> {
        let Some(pad) = self.sheet.pad(pad) else { return Vec::new() };
        let Ok(rung) = self.rung(pad, one) else { return Vec::new() };
        let own = self.wishes.results(pad, &rung, !one.value.is_empty(), "").unwrap_or_default();
        let own: BTreeSet<&str> = own.iter().map(|obx| obx.code.as_str()).collect();
        let mine = sent.iter().filter(|obx| own.contains(obx.code.as_str()));
        let coded = |obx: &Obx| {
            let named = [&obx.code, &obx.second].into_iter().filter(|code| !code.is_empty());
            named.map(|code| Coded { code: code.clone(), unit: obx.unit.clone() }).collect()
        };
        mine.map(coded).collect()
    }
}

/// Which reading each typed one is: by its label, each once; where no label fits, those that are left, in their order.
fn pairs(typed: &[&TypedReading], found: &[PrintedReading]) -> Vec<Option<usize>> {
    let mut left: Vec<(usize, String)> =
        found.iter().map(|reading| plain(&reading.label)).enumerate().collect();
    let mut labelled = |one: &&TypedReading| {
        let at = left.iter().position(|(_, label)| *label == plain(&one.label))?;
        Some(left.remove(at).0)
    };
    let mut own: Vec<Option<usize>> = typed.iter().map(&mut labelled).collect();
    let mut left = left.into_iter();
    for one in own.iter_mut().filter(|one| one.is_none()) {
        *one = left.next().map(|(at, _)| at);
    }
    own
}

/// A text without what a person may type otherwise: blanks, the sign of decimals, how a comparator and a micro sign are
/// written. Nothing of the dialect, or its own translation would be compared with itself.
fn plain(text: &str) -> String {
    let text: String = text.split_whitespace().collect();
    let text = text.replace('\u{2265}', ">=").replace('\u{2264}', "<=");
    text.replace(['\u{b5}', '\u{3bc}'], "u").replace(',', ".")
}

impl TypedReading {
    fn text(&self) -> String {
        let parts = [&self.grade, &self.value, &self.unit, &self.mark];
        let parts: Vec<&str> =
            parts.into_iter().map(String::as_str).filter(|t| !t.is_empty()).collect();
        parts.join(" ")
    }
}

/// What the program made of all that is typed of a report.
fn facts(print: &Report, judged: &Judged, outcome: &Outcome) -> Vec<(&'static str, String)> {
    let private = |text: &Option<wickline_normalize::Private>| {
        text.as_ref().map_or_else(String::new, |t| t.expose().trim().to_owned())
    };
    let end = match &outcome.end {
        End::Sent(_) => "sent".to_owned(),
        End::Filed => "filed".to_owned(),
        held @ End::Held(_) => held.to_string(),
    };
    vec![
        ("number", print.number.clone().unwrap_or_default()),
        ("specimen", private(&print.specimen)),
        ("class", judged.class.code().to_owned()),
        ("taken", print.taken.as_ref().map_or_else(String::new, time)),
        ("operator", private(&print.operator)),
        ("end", end),
        ("strip-lot", print.strip_lot.as_deref().unwrap_or("").trim().to_owned()),
        ("strip-expiry", print.strip_expiry.map_or_else(String::new, |last| last.day_text())),
        ("level", judged.level.clone().unwrap_or_default()),
        ("lot", print.control_lot.as_deref().unwrap_or("").trim().to_owned()),
    ]
}

fn time(moment: &Moment) -> String {
    let clock = moment.time.map(|(hour, minute)| format!(" {hour:02}:{minute:02}"));
    let second = moment.second.map(|second| format!(":{second:02}"));
    format!("{}{}{}", moment.day_text(), clock.unwrap_or_default(), second.unwrap_or_default())
}

/// A mark without what stands around it on some papers: `<A>`, `(A)`, `[A]`.
fn bracketless(mark: &str) -> &str {
    let pairs = [('<', '>'), ('(', ')'), ('[', ']')];
    let inner = |(open, close)| mark.strip_prefix(open)?.strip_suffix(close);
    pairs.into_iter().find_map(inner).filter(|inner| !inner.is_empty()).unwrap_or(mark)
}

fn shown(found: &PrintedReading) -> String {
    let mark = found.mark.as_ref().map(|mark| mark.text.as_str());
    let parts = found.parts.iter().map(Text::as_str).chain(found.unit.as_deref()).chain(mark);
    let parts = parts.filter(|part| !part.trim().is_empty());
    let unread = (found.status == Status::Unread).then_some("not read");
    let parts: Vec<&str> = parts.chain(unread).collect();
    format!("{}: {}", found.label, parts.join(" "))
}
