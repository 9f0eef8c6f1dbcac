//! The matrix: every pad by rung, unit system, mark and class, with ends, unread and missing pads.

use std::collections::BTreeSet;

use super::expect::{End, Obx, cut, thousandths};
use super::press::Line;
use super::sheet::{Pad, Rung};
use super::signs::{Class, Sign};
use super::wording::{one_unit, turned};
use super::{Row, Trial, Verdict, ratio, without};

/// A pad as it stands in every report where another is on trial.
#[derive(Clone)]
pub(super) struct Usual<'a> {
    pub pad: &'a Pad,
    pub label: String,
    pub lines: Vec<Line>,
    results: Vec<Obx>,
}

/// What is printed for the pad on trial.
#[derive(Clone, Copy)]
pub(super) enum What<'a> {
    Rung(usize, &'a Rung),
    /// The end of a ladder without its comparator.
    Bare(usize, &'a Rung),
    /// With the comparator turned: on no rung.
    Turned(usize, &'a Rung),
    /// The end of a ladder with this word of the dialect, before its number or behind it.
    Worded(usize, &'a Rung, &'a str, Stand),
    /// With this word for its grade.
    Said(usize, &'a Rung, &'a str),
    /// With its unit spelled so.
    Spelled(usize, &'a Rung, &'a str),
    /// Under this name of the pad.
    Named(usize, &'a Rung, &'a str),
    Unread(&'a str),
    Missing,
}

/// Where a word of an end of a ladder stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stand {
    Before,
    Behind,
    BehindUnit,
}

impl Stand {
    /// How a case names it.
    fn words(self) -> &'static str {
        match self {
            Stand::Before => "",
            Stand::Behind => " behind the number",
            Stand::BehindUnit => " behind the unit",
        }
    }
}

/// One case before it is printed.
pub(super) struct Case<'a> {
    pub pad: &'a Usual<'a>,
    pub what: What<'a>,
    pub si: bool,
    pub mark: (&'a str, &'a str),
    class: Class,
    /// Nothing says of which specimen or control material.
    unnamed: bool,
}

impl Trial<'_> {
    /// Tries every case of the sheet; so many cases of this run came `before`. The error says why
    /// nothing can be printed.
    pub fn matrix(&self, signs: &[(Class, Sign)], before: usize) -> Result<Vec<Row>, String> {
        let usual = self.usual_pads()?;
        let mut rows: Vec<Row> = Vec::new();
        let mut seen: Vec<Class> = Vec::new();
        for (class, sign) in signs {
            // The first sign of a class goes through everything, any other through one case.
            let most = if seen.contains(class) { 1 } else { usize::MAX };
            seen.push(*class);
            let cases = usual.iter().flat_map(|pad| self.cases(pad, *class)).take(most);
            for case in cases.map(|case| Case { unnamed: sign.unnamed, ..case }).collect::<Vec<_>>()
            {
                let mut row = self.try_case(&case, sign, &usual, before + rows.len() + 1)?;
                if most == 1 {
                    row.case = format!("{} by {}", row.case, sign.what);
                }
                rows.push(row);
            }
        }
        Ok(rows)
    }

    /// Every pad as it usually stands.
    pub(super) fn usual_pads(&self) -> Result<Vec<Usual<'_>>, String> {
        self.sheet.pads.iter().map(|pad| self.usual(pad)).collect()
    }

    /// A pad on its lowest rung, a scale in its middle, under the first label that the print has room
    /// for.
    fn usual<'a>(&self, pad: &'a Pad) -> Result<Usual<'a>, String> {
        let nth = if pad.kind == "stepped" { pad.rungs.len() / 2 } else { 0 };
        self.usual_at(pad, nth)
    }

    /// The pads that a ratio comes from, on rungs that its own rung fits; the others as usual.
    fn beside<'a>(&self, case: &Case<'_>, usual: &[Usual<'a>]) -> Result<Vec<Usual<'a>>, String> {
        let (What::Rung(nth, _)
        | What::Bare(nth, _)
        | What::Worded(nth, ..)
        | What::Said(nth, ..)
        | What::Spelled(nth, ..)
        | What::Named(nth, ..)) = case.what
        else {
            return Ok(usual.to_vec());
        };
        let rungs = ratio::beside(self.sheet, case.pad.pad, nth);
        let other = |pad: &Usual<'a>| match rungs.iter().find(|(id, _)| *id == pad.pad.id) {
            Some((_, rung)) => self.usual_at(pad.pad, *rung),
            None => Ok(pad.clone()),
        };
        usual.iter().map(other).collect()
    }

    fn usual_at<'a>(&self, pad: &'a Pad, nth: usize) -> Result<Usual<'a>, String> {
        let rung = pad.rungs.get(nth).ok_or_else(|| {
            format!("pad {} has neither a ladder nor numbers: nothing of it can be printed", pad.id)
        })?;
        let printed = self.press.labels();
        let own = printed.iter().filter(|l| self.sheet.named(l).is_some_and(|p| p.id == pad.id));
        let labels: Vec<&String> = own.chain([&pad.id]).chain(&pad.names).collect();
        for label in &labels {
            if let Some(lines) = self.fit_rung(pad, rung, label) {
                let number = rung.labels[self.system()].is_some();
                let results = self.wishes.results(pad, rung, number, "")?;
                return Ok(Usual { pad, label: (*label).clone(), lines, results });
            }
        }
        if pad.optional {
            // It stands in no report but its own: some of its rungs may have room.
            let any = |label: &&&String| {
                pad.rungs.iter().any(|rung| self.fit_rung(pad, rung, label).is_some())
            };
            let label = labels.iter().find(any).map_or_else(|| pad.id.clone(), |l| (*l).clone());
            return Ok(Usual { pad, label, lines: Vec::new(), results: Vec::new() });
        }
        Err(self.no_place(pad, rung, &labels))
    }

    /// Why a pad cannot be printed: what was looked for, and how the captures have it.
    fn no_place(&self, pad: &Pad, rung: &Rung, labels: &[&String]) -> String {
        let texts = self.texts(pad, rung, self.prints_si, false);
        let text = texts.first().map_or_else(String::new, |parts| {
            let parts = parts.iter().map(String::as_str).filter(|part| !part.is_empty());
            parts.collect::<Vec<_>>().join(" ")
        });
        let label = labels.first().map_or(pad.id.as_str(), |label| label.as_str());
        let parts =
            ["grade", "number", "unit"].into_iter().zip(texts.first().into_iter().flatten());
        let parts: Vec<&str> =
            parts.filter(|(_, text)| !text.is_empty()).map(|(part, _)| part).collect();
        let kinds = self.press.kinds(labels);
        let found = match kinds.is_empty() {
            true => "the captures have no reading of it".to_owned(),
            false => format!("the captures have it only as {}", kinds.join(", or as ")),
        };
        format!(
            "pad {} finds no place on this print: looked for a place for `{label} {text}`, a label with {}, and none \
             that the captures show is read back as that; {found}. Give a capture that has a reading which stands so",
            pad.id,
            parts.join(" and ")
        )
    }

    /// A rung in the units of the print, without a mark.
    pub(super) fn fit_rung(&self, pad: &Pad, rung: &Rung, label: &str) -> Option<Vec<Line>> {
        let texts = self.texts(pad, rung, self.prints_si, false);
        let seconds = self.seconds(pad, Some(rung), self.prints_si);
        self.fit(label, &texts, &seconds, "").map(|(_, lines)| lines)
    }

    fn system(&self) -> usize {
        usize::from(self.prints_si)
    }

    fn cases<'a>(&self, pad: &'a Usual<'a>, class: Class) -> Vec<Case<'a>>
    where
        Self: 'a,
    {
        let signs =
            self.habits.marks.iter().map(|(sign, meaning)| (sign.as_str(), meaning.as_str()));
        let marks: Vec<(&str, &str)> = [("", "")].into_iter().chain(signs).collect();
        // A second sign of one meaning is tried on the lowest rung alone.
        let mut meanings = BTreeSet::new();
        let firsts: Vec<(&str, &str)> =
            marks.iter().copied().filter(|(_, meaning)| meanings.insert(*meaning)).collect();
        let mut cases = Vec::new();
        for si in [false, true] {
            let system = usize::from(si);
            let own = si == self.prints_si;
            for (n, rung) in pad.pad.rungs.iter().enumerate() {
                let same = one_unit(pad.pad);
                if !own && (rung.labels[system].is_none() || same) {
                    continue;
                }
                let ends = rung.labels[system].as_ref().is_some_and(|l| !cut(l).0.is_empty());
                let mut whats = vec![What::Rung(n, rung)];
                if own && ends {
                    whats.push(What::Bare(n, rung));
                    let turned = turned(rung.labels[system].as_deref().unwrap_or(""));
                    if !pad.pad.rungs.iter().any(|r| r.labels[system].as_ref() == Some(&turned)) {
                        whats.push(What::Turned(n, rung));
                    }
                }
                for what in whats {
                    let tried = if n == 0 { &marks } else { &firsts };
                    // What a mark means beside a number that nobody can judge is no matter.
                    let judged = own || pad.pad.measured.is_none();
                    let all =
                        if matches!(what, What::Rung(..)) && judged { tried.len() } else { 1 };
                    let mark = tried.iter().take(all);
                    cases.extend(mark.map(|mark| Case {
                        pad,
                        what,
                        si,
                        mark: *mark,
                        class,
                        unnamed: false,
                    }));
                }
            }
        }
        if class == Class::Routine {
            let ways = self.ways(pad.pad).into_iter().map(|what| self.plain(pad, what, class));
            // Behind a number a word is printed where the dialect reads it there.
            let read = |case: &Case<'a>| match case.what {
                What::Worded(.., Stand::Behind | Stand::BehindUnit) => {
                    self.fit_case(case, &pad.label).is_some()
                }
                _ => true,
            };
            cases.extend(ways.filter(read));
        }
        let mut unread = self.habits.unread.iter().chain(&pad.pad.unread);
        let first = unread.next().map(|word| What::Unread(word));
        let others = unread.map(|word| What::Unread(word)).filter(|_| class == Class::Routine);
        let ends = first.into_iter().chain(others).chain([What::Missing]);
        cases.extend(ends.map(|what| self.plain(pad, what, class)));
        cases
    }

    fn plain<'a>(&self, pad: &'a Usual<'a>, what: What<'a>, class: Class) -> Case<'a> {
        Case { pad, what, si: self.prints_si, mark: ("", ""), class, unnamed: false }
    }

    /// Every word, spelling and name that the strip has for a pad, each on a rung of its own.
    fn ways<'a>(&self, pad: &'a Pad) -> Vec<What<'a>>
    where
        Self: 'a,
    {
        let mut all = self.worded(pad);
        let mut graded: Vec<&str> = Vec::new();
        for (n, rung) in pad.rungs.iter().enumerate() {
            let Some(grade) = rung.grade.as_deref().filter(|g| !graded.contains(g)) else {
                continue;
            };
            graded.push(grade);
            let words = pad.words.get(grade).into_iter().flatten();
            let words =
                [grade].into_iter().chain(rung.text.as_deref()).chain(words.map(String::as_str));
            all.extend(words.map(|word| What::Said(n, rung, word)));
        }
        let system = self.system();
        let numbered = pad.rungs.iter().enumerate().find(|(_, r)| r.labels[system].is_some());
        if let (Some((n, rung)), Some(scale)) = (numbered, &pad.scales[system]) {
            let own = scale.spellings.iter().map(String::as_str);
            all.extend(own.map(|spelling| What::Spelled(n, rung, spelling)));
        }
        if let Some(rung) = pad.rungs.first() {
            let names = [&pad.id].into_iter().chain(&pad.names);
            all.extend(names.map(|name| What::Named(0, rung, name)));
        }
        all
    }

    /// Each end of a ladder with each word of the dialect for its sign; a word for which this strip has no
    /// end, with the first one.
    fn worded<'a>(&self, pad: &'a Pad) -> Vec<What<'a>>
    where
        Self: 'a,
    {
        let system = self.system();
        let ends = pad.rungs.iter().enumerate().filter_map(|(n, rung)| {
            let (sign, _) = cut(rung.labels[system].as_deref()?);
            (!sign.is_empty()).then_some((n, rung, sign))
        });
        let words = &self.habits.comparators;
        let mut all: Vec<What<'a>> = Vec::new();
        let first = ends.clone().next();
        for (n, rung, sign) in ends {
            let own = words.iter().filter(|(_, of)| of == sign);
            all.extend(own.flat_map(|(word, _)| places(n, rung, word)));
        }
        if let Some((n, rung, _)) = first {
            let strange = words.iter().filter(|(_, sign)| !self.sheet.has_end(sign, system));
            all.extend(strange.flat_map(|(word, _)| places(n, rung, word)));
        }
        all
    }

    fn try_case(
        &self,
        case: &Case<'_>,
        sign: &Sign,
        usual: &[Usual<'_>],
        number: usize,
    ) -> Result<Row, String> {
        let mut row = self.row(case)?;
        row.control_id = format!("PRV{}{number:04}", self.series);
        let found = match case.what {
            // Without one of them nobody knows which the others are.
            What::Missing if self.press.is_in_order() => None,
            What::Missing => Some(("nothing".to_owned(), Vec::new())),
            What::Named(_, _, name) => self.fit_case(case, name),
            _ => self.fit_case(case, &case.pad.label),
        };
        let Some((printed, own)) = found else {
            row.verdict = Verdict::NotPrintable;
            row.remark = "the print has no room for it, or the dialect reads it otherwise".into();
            return Ok(row);
        };
        row.printed = printed;
        let usual = &self.beside(case, usual)?;
        let mut lines = Vec::new();
        for pad in usual {
            if pad.pad.id == case.pad.pad.id {
                lines.extend(own.iter().cloned());
            } else if !pad.pad.optional {
                lines.extend(pad.lines.iter().cloned());
            }
        }
        let bytes = self.press.print(sign, &lines);
        let filler = format!("PRV{}{number:04}", self.series);
        let outcome = self.walk(&bytes, &row.control_id, &filler);
        let others = others(case, usual);
        let whole = self.in_order(usual, case, &row.expected);
        let alike = match (&row.expected, &outcome.end) {
            (End::Sent(_), End::Sent(got)) => *got == whole,
            (expected, got) => expected == got,
        };
        row.verdict = if alike { Verdict::AsExpected } else { Verdict::Differs };
        let own = match &outcome.end {
            End::Sent(all) => End::Sent(without(all, &others)),
            other => other.clone(),
        };
        let wanted_stat = row.expected_stat();
        if matches!(own, End::Sent(_)) && outcome.heard.stat != wanted_stat {
            row.verdict = Verdict::Differs;
            row.remark = format!("sent as {} work", if wanted_stat { "routine" } else { "urgent" });
        } else if !alike && own.to_string() == row.expected.to_string() {
            row.remark = format!("beside it: {} instead of {}", outcome.end, End::Sent(whole));
        } else if !alike && !outcome.strange.is_empty() {
            row.remark =
                format!("{}: not understood: `{}`", outcome.end, outcome.strange.join("`, `"));
        }
        row.sent = Some(own);
        row.message = outcome.body.as_deref().map(crate::acts::compose::text);
        row.body = outcome.body;
        Ok(row)
    }

    /// The results of a whole report, the case's own among them, in the receiver's order.
    fn in_order(&self, usual: &[Usual<'_>], case: &Case<'_>, own: &End) -> Vec<Obx> {
        let End::Sent(own) = own else { return Vec::new() };
        let mut pads: Vec<(usize, &[Obx])> = Vec::new();
        for pad in usual {
            let results = if pad.pad.id == case.pad.pad.id { own } else { &pad.results };
            let goes = pad.pad.id == case.pad.pad.id || !pad.pad.optional;
            let place = self.wishes.place(&pad.pad.id).filter(|_| goes);
            pads.extend(place.map(|place| (place, results.as_slice())));
        }
        pads.sort_by_key(|(place, _)| *place);
        pads.into_iter().flat_map(|(_, results)| results.iter().cloned()).collect()
    }

    /// A case as a row, with what it should come to.
    fn row(&self, case: &Case<'_>) -> Result<Row, String> {
        let pad = case.pad.pad;
        let units = if case.si { "si" } else { "conventional" };
        let (name, rung) = match case.what {
            What::Rung(n, rung) => (rung_name(n, rung), label_of(rung, case.si)),
            What::Bare(n, rung) => (
                format!("{}-bare", rung_name(n, rung)),
                label_of(rung, case.si) + ", no comparator",
            ),
            What::Turned(n, rung) => {
                (format!("{}-turned", rung_name(n, rung)), label_of(rung, case.si) + ", turned")
            }
            What::Worded(n, rung, word, at) => (
                format!("{} with {word}{}", rung_name(n, rung), at.words()),
                format!("{} with \u{201c}{word}\u{201d}{}", label_of(rung, case.si), at.words()),
            ),
            What::Said(n, rung, word) => (
                format!("{} said {word}", rung_name(n, rung)),
                format!("{} as \u{201c}{word}\u{201d}", label_of(rung, case.si)),
            ),
            What::Spelled(n, rung, unit) => (
                format!("{} in {unit}", rung_name(n, rung)),
                format!("{} in \u{201c}{unit}\u{201d}", label_of(rung, case.si)),
            ),
            What::Named(n, rung, name) => (
                format!("{} named {name}", rung_name(n, rung)),
                format!("{} under \u{201c}{name}\u{201d}", label_of(rung, case.si)),
            ),
            What::Unread(word) => (format!("unread {word}"), format!("not read: {word}")),
            What::Missing => ("missing".to_owned(), "missing".to_owned()),
        };
        let mark = if case.mark.0.is_empty() { "-" } else { case.mark.0 };
        let class = case.class.word();
        Ok(Row {
            case: format!("{}/{}/{name}/{units}/{mark}/{class}", self.sheet.id, pad.id),
            strip: self.sheet.id.clone(),
            pad: pad.id.clone(),
            rung,
            units: units.to_owned(),
            mark: mark.to_owned(),
            class: class.to_owned(),
            printed: String::new(),
            expected: self.expected(case)?,
            sent: None,
            remark: String::new(),
            verdict: Verdict::NotPrintable,
            control_id: String::new(),
            answered: String::new(),
            message: None,
            body: None,
        })
    }

    /// Whether a step of this strip has the sign that a word of the dialect stands for.
    fn at_an_end(&self, word: &str) -> bool {
        let mut words = self.habits.comparators.iter().filter(|(own, _)| own == word);
        words.any(|(_, sign)| self.sheet.has_end(sign, self.system()))
    }

    fn expected(&self, case: &Case<'_>) -> Result<End, String> {
        let pad = case.pad.pad;
        let mut reasons = BTreeSet::new();
        let mut results = Vec::new();
        match case.what {
            What::Bare(_, rung) if bare_meaning(pad, rung, case.si) != Some(rung) => {
                match bare_meaning(pad, rung, case.si) {
                    None => _ = reasons.insert("off-ladder".to_owned()),
                    Some(other) if other.grade != rung.grade => {
                        reasons.insert("grade-value-disagree".to_owned());
                    }
                    Some(other) => results = self.wishes.results(pad, other, true, case.mark.1)?,
                }
            }
            // No step of the strip has this sign.
            What::Worded(_, _, word, _) if !self.at_an_end(word) => {
                reasons.insert("off-ladder".to_owned());
            }
            What::Rung(_, rung)
            | What::Bare(_, rung)
            | What::Worded(_, rung, ..)
            | What::Said(_, rung, _)
            | What::Spelled(_, rung, _)
            | What::Named(_, rung, _) => {
                let number = rung.labels[usize::from(case.si)].is_some();
                let strange = number && case.si != self.prints_si;
                // Where no unit is printed, a number of the other system is what the ladder makes of it.
                let meant = match strange && self.habits.unit_implied {
                    true => implied(pad, rung, case.si),
                    false => Ok(rung),
                };
                let strange = strange && !self.habits.unit_implied;
                if strange {
                    reasons.insert("unit-unexpected".to_owned());
                }
                let marked = !case.mark.0.is_empty() && case.class != Class::Control;
                let contradicted =
                    |rung| marked && self.wishes.contradicts(pad, rung, case.mark.1, strange);
                match meant {
                    Err(reason) => drop(reasons.insert(reason.to_owned())),
                    Ok(rung) => {
                        if contradicted(rung) {
                            reasons.insert("mark-disagree".to_owned());
                        }
                        results = self.wishes.results(pad, rung, number, case.mark.1)?;
                    }
                }
            }
            What::Turned(..) => drop(reasons.insert("off-ladder".to_owned())),
            What::Unread(_) => drop(reasons.insert("pad-unread".to_owned())),
            What::Missing if pad.optional => {}
            What::Missing => drop(reasons.insert("pads-missing".to_owned())),
        }
        if case.unnamed {
            reasons.insert("specimen-blank".to_owned());
        }
        Ok(match case.class {
            _ if !reasons.is_empty() => End::Held(reasons),
            Class::Control => End::Filed,
            _ => End::Sent(results),
        })
    }
}

impl Row {
    fn expected_stat(&self) -> bool {
        self.class == Class::Stat.word()
    }
}

/// A word before the number of an end, behind it, and behind its unit.
fn places<'a>(n: usize, rung: &'a Rung, word: &'a str) -> [What<'a>; 3] {
    [Stand::Before, Stand::Behind, Stand::BehindUnit].map(|at| What::Worded(n, rung, word, at))
}

/// What the other pads of the report should say.
fn others(case: &Case<'_>, usual: &[Usual<'_>]) -> Vec<Obx> {
    let other = |u: &&Usual<'_>| u.pad.id != case.pad.pad.id && !u.pad.optional;
    usual.iter().filter(other).flat_map(|u| u.results.iter().cloned()).collect()
}

/// The rung that the bare number of an end means: one with that number alone, else an end that includes it.
fn bare_meaning<'a>(pad: &'a Pad, rung: &Rung, si: bool) -> Option<&'a Rung> {
    let of = |rung: &'a Rung| rung.labels[usize::from(si)].as_deref().map(cut);
    let (_, digits) = rung.labels[usize::from(si)].as_deref().map(cut)?;
    let with = |signs: &[&str]| {
        pad.rungs.iter().find(|r| of(r).is_some_and(|(s, d)| d == digits && signs.contains(&s)))
    };
    with(&[""]).or_else(|| with(&["<=", ">="]))
}

/// The rung that a number of the other system stands on where no unit tells that it is of the other, or why none.
fn implied<'a>(pad: &'a Pad, rung: &Rung, si: bool) -> Result<&'a Rung, &'static str> {
    let of = |rung: &Rung, si: bool| {
        let (sign, digits) = rung.labels[usize::from(si)].as_deref().map(cut)?;
        Some((
            sign.to_owned(),
            thousandths(digits).map_or_else(|| digits.to_owned(), |n| n.to_string()),
        ))
    };
    let Some((sign, digits)) = of(rung, si) else { return Err("off-ladder") };
    let with = |signs: &[&str]| -> Vec<&'a Rung> {
        let fits = |own: &(String, String)| own.1 == digits && signs.contains(&own.0.as_str());
        pad.rungs.iter().filter(|own| of(own, !si).as_ref().is_some_and(fits)).collect()
    };
    let exact = with(&[sign.as_str()]);
    let all = if exact.is_empty() && sign.is_empty() { with(&["<=", ">="]) } else { exact };
    let agreeing: Vec<_> =
        all.iter().filter(|own| rung.grade.is_none() || own.grade == rung.grade).collect();
    match (agreeing.as_slice(), all.is_empty()) {
        ([one], _) => Ok(one),
        ([], false) if rung.grade.is_some() => Err("grade-value-disagree"),
        _ => Err("off-ladder"),
    }
}

/// `03-2+`: how a case names a rung.
pub(super) fn rung_name(n: usize, rung: &Rung) -> String {
    format!("{n:02}-{}", rung.grade.as_deref().unwrap_or("VAL"))
}

fn label_of(rung: &Rung, si: bool) -> String {
    let parts = [rung.grade.as_deref(), rung.labels[usize::from(si)].as_deref()];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" ")
}
