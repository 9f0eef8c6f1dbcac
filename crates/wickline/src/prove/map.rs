//! The map of a strip for one receiver, as a director signs it: each pad with its ladder, and what every rung was
//! printed as and sent as. What was sent comes from the tried cases, never from what was expected of them.

use std::collections::BTreeSet;

use super::expect::{End, Obx};
use super::matrix::rung_name;
use super::sheet::{Pad, Rung, Sheet};
use super::{Row, Verdict};

/// One strip.
#[derive(Debug)]
pub struct Map {
    pub strip: String,
    pub pads: Vec<PadMap>,
    /// Each grade with the words that every pad takes for it.
    pub words: Vec<(String, Vec<String>)>,
    /// Words that say of every pad that it could not be read.
    pub unread: Vec<String>,
}

/// One pad.
#[derive(Debug)]
pub struct PadMap {
    pub id: String,
    pub title: String,
    /// As the capture prints it; None: the capture does not have it.
    pub label: Option<String>,
    /// Everything else that is taken for this pad.
    pub names: Vec<String>,
    /// What its results are called: the first name, the second, and the units sent with them.
    pub codes: Vec<(String, String, String)>,
    pub rungs: Vec<Step>,
    /// The site's reference for its flags.
    pub reference: Option<String>,
}

/// One rung.
#[derive(Debug)]
pub struct Step {
    pub printed: String,
    /// What arrives, or what became of it instead.
    pub sent: String,
    pub flag: String,
    /// Words of this pad alone for it.
    pub words: Vec<String>,
    pub verdict: Verdict,
}

impl Map {
    /// Of what was tried: `prints` is the unit system of the analyzer, `labels` those of its capture.
    #[must_use]
    pub fn new(
        sheet: &Sheet,
        rows: &[Row],
        prints: &str,
        labels: &[String],
        reference: impl Fn(&str) -> Option<String>,
    ) -> Map {
        let shared = shared(&sheet.pads);
        let common = |list: &[String]| -> Vec<String> {
            let all = |word: &&String| sheet.pads.iter().all(|pad| pad.unread.contains(word));
            list.iter().filter(all).cloned().collect()
        };
        let mapped = |pad: &Pad| {
            let codes = codes(rows, &sheet.id, pad);
            let units: Vec<&String> =
                codes.iter().map(|(.., u)| u).filter(|u| !u.is_empty()).collect();
            // A unit that is always the same stands beside its code.
            let unit = if let [one] = units.as_slice() { one.as_str() } else { "" };
            let rungs = steps(sheet, pad, rows, prints, &shared, unit);
            (rungs, codes)
        };
        let one = |pad: &Pad| {
            let (rungs, codes) = mapped(pad);
            let own = |label: &&String| sheet.named(label).is_some_and(|p| p.id == pad.id);
            PadMap {
                id: pad.id.clone(),
                title: pad.title.clone(),
                label: labels.iter().find(own).cloned(),
                names: pad.names.clone(),
                codes,
                rungs,
                reference: reference(&pad.id),
            }
        };
        Map {
            strip: sheet.id.clone(),
            pads: sheet.pads.iter().map(one).collect(),
            unread: sheet.pads.first().map_or_else(Vec::new, |pad| common(&pad.unread)),
            words: shared,
        }
    }
}

/// The words that every pad with a grade takes for it, where more than one pad has the grade.
fn shared(pads: &[Pad]) -> Vec<(String, Vec<String>)> {
    let mut grades: Vec<&str> = Vec::new();
    for grade in pads.iter().flat_map(|p| &p.rungs).filter_map(|r| r.grade.as_deref()) {
        if !grades.contains(&grade) {
            grades.push(grade);
        }
    }
    let mut all = Vec::new();
    for grade in grades {
        let has = |pad: &&Pad| pad.rungs.iter().any(|r| r.grade.as_deref() == Some(grade));
        let with: Vec<&Pad> = pads.iter().filter(has).collect();
        let words = with.first().and_then(|pad| pad.words.get(grade)).into_iter().flatten();
        let everywhere = |word: &&String| {
            with.iter().all(|p| p.words.get(grade).is_some_and(|w| w.contains(word)))
        };
        let words: Vec<String> = words.filter(everywhere).cloned().collect();
        if with.len() > 1 && !words.is_empty() {
            all.push((grade.to_owned(), words));
        }
    }
    all
}

/// What the results of a pad are called, as the messages say it.
fn codes(rows: &[Row], strip: &str, pad: &Pad) -> Vec<(String, String, String)> {
    let own = rows.iter().filter(|r| r.strip == strip && r.pad == pad.id);
    let sent = own.filter_map(|r| match &r.sent {
        Some(End::Sent(list)) => Some(list),
        _ => None,
    });
    let mut known: Vec<(String, String, BTreeSet<&str>)> = Vec::new();
    for obx in sent.flatten() {
        match known.iter_mut().find(|(code, second, _)| *code == obx.code && *second == obx.second)
        {
            Some((.., units)) => _ = units.insert(&obx.unit),
            None => {
                known.push((obx.code.clone(), obx.second.clone(), BTreeSet::from([&*obx.unit])))
            }
        }
    }
    let units = |set: BTreeSet<&str>| {
        set.into_iter().filter(|u| !u.is_empty()).collect::<Vec<_>>().join(", ")
    };
    known.into_iter().map(|(code, second, set)| (code, second, units(set))).collect()
}

fn steps(
    sheet: &Sheet,
    pad: &Pad,
    rows: &[Row],
    prints: &str,
    shared: &[(String, Vec<String>)],
    unit: &str,
) -> Vec<Step> {
    // The proof prints the words of a grade on its first rung.
    let words = |n: usize, grade: &str| -> Vec<String> {
        if pad.rungs.iter().take(n).any(|rung| rung.grade.as_deref() == Some(grade)) {
            return Vec::new();
        }
        let common = shared.iter().find(|(known, _)| known == grade).map(|(_, words)| words);
        let own = pad.words.get(grade).into_iter().flatten();
        own.filter(|word| common.is_none_or(|common| !common.contains(word))).cloned().collect()
    };
    let step = |(n, rung): (usize, &Rung)| {
        let case = format!("{}/{}/{}/{prints}/-/routine", sheet.id, pad.id, rung_name(n, rung));
        let words = rung.grade.as_deref().map_or_else(Vec::new, |grade| words(n, grade));
        let Some(row) = rows.iter().find(|row| row.case == case) else {
            let (printed, sent, flag) = Default::default();
            return Step { printed, sent, flag, words, verdict: Verdict::NotPrintable };
        };
        Step {
            printed: if row.printed.is_empty() { row.rung.clone() } else { row.printed.clone() },
            sent: row.sent.as_ref().map_or_else(String::new, |end| arrived(end, unit)),
            flag: row.sent.as_ref().map_or_else(String::new, flag),
            words,
            verdict: row.verdict,
        }
    };
    pad.rungs.iter().enumerate().map(step).collect()
}

/// `2+, 22 mmol/L`, or without the `usual` unit `2+, 22`.
fn arrived(end: &End, usual: &str) -> String {
    let End::Sent(list) = end else { return end.to_string() };
    let one = |obx: &Obx| {
        let unit = if obx.unit == usual { "" } else { &obx.unit };
        format!("{} {unit}", obx.value).trim_end().to_owned()
    };
    list.iter().map(one).collect::<Vec<_>>().join(", ")
}

fn flag(end: &End) -> String {
    let End::Sent(list) = end else { return String::new() };
    let mut flags: Vec<&str> = Vec::new();
    for obx in list.iter().filter(|obx| !obx.flag.is_empty()) {
        if !flags.contains(&obx.flag.as_str()) {
            flags.push(&obx.flag);
        }
    }
    flags.join(", ")
}
