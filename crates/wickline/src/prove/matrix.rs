//! The matrix: every pad by rung, unit system, mark and class, with ends, unread and missing pads.

use std::collections::BTreeSet;

use super::expect::{End, Obx, cut};
use super::press::{Class, Sign, Words};
use super::sheet::{Pad, Rung};
use super::{Row, Trial, Verdict, ratio};

/// A pad as it stands in every report where another is on trial.
#[derive(Clone)]
struct Usual<'a> {
    pad: &'a Pad,
    label: String,
    lines: Vec<String>,
    results: Vec<Obx>,
}

/// What is printed for the pad on trial.
#[derive(Clone, Copy)]
enum What<'a> {
    Rung(usize, &'a Rung),
    /// The end of a ladder without its comparator.
    Bare(usize, &'a Rung),
    /// With the comparator turned: on no rung.
    Turned(usize, &'a Rung),
    Unread,
    Missing,
}

/// One case before it is printed.
struct Case<'a> {
    pad: &'a Usual<'a>,
    what: What<'a>,
    si: bool,
    mark: (&'a str, &'a str),
    class: Class,
}

impl Trial<'_> {
    /// Tries every case of the sheet; so many cases of this run came `before`. The error says why
    /// nothing can be printed.
    pub fn matrix(&self, signs: &[(Class, Sign)], before: usize) -> Result<Vec<Row>, String> {
        let usual: Vec<Usual<'_>> =
            self.sheet.pads.iter().map(|pad| self.usual(pad)).collect::<Result<_, _>>()?;
        let mut rows = Vec::new();
        for (class, sign) in signs {
            for pad in &usual {
                for case in self.cases(pad, *class) {
                    rows.push(self.try_case(&case, sign, &usual, before + rows.len() + 1)?);
                }
            }
        }
        Ok(rows)
    }

    /// A pad on its lowest rung, a scale in its middle, under the first label that the print has room
    /// for.
    fn usual<'a>(&self, pad: &'a Pad) -> Result<Usual<'a>, String> {
        let nth = if pad.kind == "stepped" { pad.rungs.len() / 2 } else { 0 };
        self.usual_at(pad, nth)
    }

    /// The pads that a ratio comes from, on rungs that its own rung fits; the others as usual.
    fn beside<'a>(&self, case: &Case<'_>, usual: &[Usual<'a>]) -> Result<Vec<Usual<'a>>, String> {
        let (What::Rung(nth, _) | What::Bare(nth, _)) = case.what else {
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
            format!("pad {} has no ladder: measured pads are not proved by this command", pad.id)
        })?;
        let printed = self.press.labels();
        let own = printed.iter().filter(|l| self.sheet.named(l).is_some_and(|p| p.id == pad.id));
        let labels: Vec<&String> = own.chain([&pad.id]).chain(&pad.names).collect();
        for label in &labels {
            let texts = self.texts(pad, rung, self.prints_si, false);
            if let Some((_, lines)) = self.fit(label, &texts, "") {
                let number = rung.labels[self.system()].is_some();
                let results = self.wishes.results(pad, rung, number, "")?;
                return Ok(Usual { pad, label: (*label).clone(), lines, results });
            }
        }
        if pad.optional {
            // It stands in no report but its own: some of its rungs may have room.
            let any = |label: &&&String| {
                let fits =
                    |rung| self.fit(label, &self.texts(pad, rung, self.prints_si, false), "");
                pad.rungs.iter().any(|rung| fits(rung).is_some())
            };
            let label = labels.iter().find(any).map_or_else(|| pad.id.clone(), |l| (*l).clone());
            return Ok(Usual { pad, label, lines: Vec::new(), results: Vec::new() });
        }
        Err(format!(
            "pad {} finds no place on this print: give a capture with a grade and a number with its unit",
            pad.id
        ))
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
                    let all = if matches!(what, What::Rung(..)) { marks.len() } else { 1 };
                    let mark = marks.iter().take(all);
                    cases.extend(mark.map(|mark| Case { pad, what, si, mark: *mark, class }));
                }
            }
        }
        for what in [What::Unread, What::Missing] {
            cases.push(Case { pad, what, si: self.prints_si, mark: ("", ""), class });
        }
        cases
    }

    /// The ways to write a rung: grade, value, unit; the most exact first.
    fn texts(&self, pad: &Pad, rung: &Rung, si: bool, bare: bool) -> Vec<[String; 3]> {
        let system = usize::from(si);
        let grades: Vec<String> = match &rung.grade {
            None => vec![String::new()],
            Some(grade) => {
                let words = pad.words.get(grade).into_iter().flatten();
                [grade].into_iter().chain(&rung.text).chain(words).cloned().collect()
            }
        };
        let mut values = vec![String::new()];
        let mut units = vec![String::new()];
        if let (Some(label), Some(scale)) = (&rung.labels[system], &pad.scales[system]) {
            values = self.values(label, bare);
            if !self.habits.unit_implied {
                units = spellings(&scale.ucum, &scale.spellings);
            }
        }
        let mut all = Vec::new();
        for value in &values {
            for unit in &units {
                for grade in &grades {
                    all.push([grade.clone(), value.clone(), unit.clone()]);
                }
            }
        }
        all
    }

    /// A label with its sign, with the dialect's word for it, and without; point or comma.
    fn values(&self, label: &str, bare: bool) -> Vec<String> {
        let (sign, digits) = cut(label);
        let mut forms = vec![digits.to_owned()];
        if !sign.is_empty() && !bare {
            let word = self.habits.comparators.get(sign).map(|w| format!("{w} {digits}"));
            // Without its sign an end that leaves its number out would be another result.
            let digits = sign.ends_with('=').then(|| digits.to_owned());
            forms = [Some(label.to_owned()), word, digits].into_iter().flatten().collect();
        }
        forms.iter().flat_map(|f| [f.clone(), f.replace('.', ",")]).collect()
    }

    /// The first of these texts that the print has room for, as printed and as lines.
    fn fit(&self, label: &str, texts: &[[String; 3]], mark: &str) -> Option<(String, Vec<String>)> {
        texts.iter().find_map(|[grade, value, unit]| {
            let words = Words {
                label: label.to_owned(),
                grade: grade.clone(),
                value: value.clone(),
                unit: unit.clone(),
                mark: mark.to_owned(),
            };
            let lines = self.press.lines(&words)?;
            let printed = [grade.as_str(), value, unit, mark];
            let printed: Vec<&str> = printed.into_iter().filter(|t| !t.is_empty()).collect();
            Some((printed.join(" "), lines))
        })
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
            What::Missing => Some(("nothing".to_owned(), Vec::new())),
            _ => self.fit(&case.pad.label, &self.case_texts(case), case.mark.0),
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
        let expected = match &row.expected {
            End::Sent(own) => End::Sent(sorted(own.iter().chain(others(case, usual)))),
            other => other.clone(),
        };
        let got = match &outcome.end {
            End::Sent(all) => End::Sent(sorted(all)),
            other => other.clone(),
        };
        row.verdict = if expected == got { Verdict::AsExpected } else { Verdict::Differs };
        let own = |name: &str| {
            let id = &case.pad.pad.id;
            name.strip_prefix(id.as_str()).is_some_and(|r| r.is_empty() || r.starts_with('-'))
        };
        let shown = outcome.results.iter().filter(|(name, _)| own(name)).map(|(_, obx)| obx);
        row.sent = Some(match outcome.end {
            End::Sent(_) => End::Sent(shown.cloned().collect()),
            other => other,
        });
        let wanted_stat = row.expected_stat();
        if matches!(row.sent, Some(End::Sent(_))) && outcome.stat != wanted_stat {
            row.verdict = Verdict::Differs;
            row.remark = format!("sent as {} work", if wanted_stat { "routine" } else { "urgent" });
        } else if row.verdict == Verdict::Differs && row.sent.as_ref() == Some(&row.expected) {
            row.remark = format!("other pads differ: {got} instead of {expected}");
        }
        row.message = outcome.body.as_deref().map(crate::acts::compose::text);
        row.body = outcome.body;
        Ok(row)
    }

    fn case_texts(&self, case: &Case<'_>) -> Vec<[String; 3]> {
        let pad = case.pad.pad;
        match case.what {
            What::Rung(_, rung) => self.texts(pad, rung, case.si, false),
            What::Bare(_, rung) => self.texts(pad, rung, case.si, true),
            What::Turned(_, rung) => {
                let mut turned = rung.clone();
                let label = &mut turned.labels[usize::from(case.si)];
                *label = label.as_deref().map(self::turned);
                let mut texts = self.texts(pad, &turned, case.si, false);
                texts.retain(|[_, value, _]| !value.starts_with(|c: char| c.is_ascii_digit()));
                texts
            }
            What::Unread => {
                let words = self.habits.unread.iter().chain(&pad.unread);
                words.map(|w| [w.clone(), String::new(), String::new()]).collect()
            }
            What::Missing => Vec::new(),
        }
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
            What::Unread => ("unread".to_owned(), "not read".to_owned()),
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
            What::Rung(_, rung) | What::Bare(_, rung) => {
                let number = rung.labels[usize::from(case.si)].is_some();
                let strange = number && case.si != self.prints_si;
                if strange {
                    reasons.insert("unit-unexpected".to_owned());
                }
                let marked = !case.mark.0.is_empty() && case.class != Class::Control;
                if marked && self.wishes.contradicts(pad, rung, case.mark.1, strange) {
                    reasons.insert("mark-disagree".to_owned());
                }
                results = self.wishes.results(pad, rung, number, case.mark.1)?;
            }
            What::Turned(..) => drop(reasons.insert("off-ladder".to_owned())),
            What::Unread => drop(reasons.insert("pad-unread".to_owned())),
            What::Missing if pad.optional => {}
            What::Missing => drop(reasons.insert("pads-missing".to_owned())),
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

/// What the other pads of the report should say.
fn others<'a>(case: &Case<'_>, usual: &'a [Usual<'_>]) -> impl Iterator<Item = &'a Obx> {
    let id = case.pad.pad.id.clone();
    let other = move |u: &&Usual<'_>| u.pad.id != id && !u.pad.optional;
    usual.iter().filter(other).flat_map(|u| &u.results)
}

fn sorted<'a>(list: impl IntoIterator<Item = &'a Obx>) -> Vec<Obx> {
    let mut list: Vec<Obx> = list.into_iter().cloned().collect();
    list.sort();
    list
}

/// True where a print in the other unit system says the same: one unit, or cells, counted alike by the microlitre
/// and by the litre.
fn one_unit(pad: &Pad) -> bool {
    let [one, other] = pad.scales.each_ref().map(|s| s.as_ref().map_or("", |s| s.ucum.as_str()));
    let cells = |ucum: &str| ["{Ery}/uL", "{Leu}/uL", "/uL", "10*6/L"].contains(&ucum);
    one == other || (cells(one) && cells(other))
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

/// A label with the comparator of the other end.
fn turned(label: &str) -> String {
    let (sign, digits) = cut(label);
    format!("{}{digits}", if sign.starts_with('>') { "<=" } else { ">=" })
}

fn rung_name(n: usize, rung: &Rung) -> String {
    format!("{n:02}-{}", rung.grade.as_deref().unwrap_or("VAL"))
}

fn label_of(rung: &Rung, si: bool) -> String {
    let parts = [rung.grade.as_deref(), rung.labels[usize::from(si)].as_deref()];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" ")
}

/// How an analyzer writes a unit: as the strip says, else as is usual. pH and density need none.
fn spellings(ucum: &str, own: &[String]) -> Vec<String> {
    let usual: &[&str] = match ucum {
        "1" | "[pH]" => &[""],
        "{Ery}/uL" | "{Leu}/uL" => &["/uL"],
        "[EU]/dL" => &["EU/dL"],
        other => &[other],
    };
    own.iter().cloned().chain(usual.iter().map(|u| (*u).to_owned())).collect()
}
