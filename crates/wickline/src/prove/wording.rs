//! The ways in which an analyzer may write a rung: every word, number and unit that the strip's file knows.

use super::Trial;
use super::expect::cut;
use super::matrix::{Case, Stand, What};
use super::press::{Line, Words};
use super::sheet::{Pad, Rung};

impl Trial<'_> {
    /// The ways to write a rung: grade, value, unit; the most exact first.
    pub(super) fn texts(&self, pad: &Pad, rung: &Rung, si: bool, bare: bool) -> Vec<[String; 3]> {
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

    /// What stands beside it where a value is printed in both unit systems: a rung's other label and its unit.
    pub(super) fn seconds(&self, pad: &Pad, rung: Option<&Rung>, si: bool) -> Vec<[String; 2]> {
        let other = usize::from(!si);
        let label = rung.and_then(|rung| rung.labels[other].clone());
        match (label, &pad.scales[other]) {
            (Some(label), Some(scale)) if self.press.prints_twice() => {
                let unit = spellings(&scale.ucum, &scale.spellings).remove(0);
                let mut all = vec![[label.replace('.', ","), unit.clone()], [label, unit]];
                all.dedup();
                all
            }
            _ => vec![Default::default()],
        }
    }

    /// A label with its sign, with the dialect's word for it, and without; point or comma.
    fn values(&self, label: &str, bare: bool) -> Vec<String> {
        let (sign, digits) = cut(label);
        let mut forms = vec![digits.to_owned()];
        if !sign.is_empty() && !bare {
            let word = self.habits.comparators.iter().find(|(_, own)| own == sign);
            let word = word.map(|(word, _)| format!("{word} {digits}"));
            // Without its sign an end that leaves its number out would be another result.
            let digits = sign.ends_with('=').then(|| digits.to_owned());
            forms = [Some(label.to_owned()), word, digits].into_iter().flatten().collect();
        }
        forms.iter().flat_map(|f| [f.clone(), f.replace('.', ",")]).collect()
    }

    /// The first of these texts that the print has room for, as printed and as lines.
    pub(super) fn fit(
        &self,
        label: &str,
        texts: &[[String; 3]],
        seconds: &[[String; 2]],
        mark: &str,
    ) -> Option<(String, Vec<Line>)> {
        self.fit_behind(label, texts, seconds, mark, "")
    }

    /// The same where each unit has this word of an end of a ladder behind it.
    fn fit_behind(
        &self,
        label: &str,
        texts: &[[String; 3]],
        seconds: &[[String; 2]],
        mark: &str,
        behind: &str,
    ) -> Option<(String, Vec<Line>)> {
        let all = texts.iter().flat_map(|text| seconds.iter().map(move |second| (text, second)));
        all.into_iter().find_map(|([grade, value, unit], second)| {
            let words = Words {
                label: label.to_owned(),
                grade: grade.clone(),
                value: value.clone(),
                unit: unit.clone(),
                behind: behind.to_owned(),
                second: second.clone(),
                mark: mark.to_owned(),
            };
            let lines = self.press.lines(&words)?;
            let printed = [grade.as_str(), value, unit, mark];
            let printed: Vec<&str> = printed.into_iter().filter(|t| !t.is_empty()).collect();
            Some((printed.join(" "), lines))
        })
    }

    /// The ways to write a rung in the print's own units with this text in one place: 0 its grade, 2 its unit.
    fn with(&self, pad: &Pad, rung: &Rung, place: usize, text: &str) -> Vec<[String; 3]> {
        let mut texts = self.texts(pad, rung, self.prints_si, false);
        if place == 2 {
            texts.retain(|[_, value, _]| !value.is_empty());
        }
        for one in &mut texts {
            one[place] = text.to_owned();
        }
        texts.dedup();
        texts
    }

    /// The first way to write what a case is about that the print has room for, under this label.
    pub(super) fn fit_case(&self, case: &Case<'_>, label: &str) -> Option<(String, Vec<Line>)> {
        let rung = match case.what {
            What::Rung(_, rung)
            | What::Bare(_, rung)
            | What::Turned(_, rung)
            | What::Worded(_, rung, ..)
            | What::Said(_, rung, _)
            | What::Spelled(_, rung, _)
            | What::Named(_, rung, _) => Some(rung),
            What::Unread(_) | What::Missing => None,
        };
        let seconds = self.seconds(case.pad.pad, rung, case.si);
        let behind = match case.what {
            What::Worded(_, _, word, Stand::BehindUnit) => word,
            _ => "",
        };
        self.fit_behind(label, &self.case_texts(case), &seconds, case.mark.0, behind)
    }

    /// The ways to write what a case is about.
    fn case_texts(&self, case: &Case<'_>) -> Vec<[String; 3]> {
        let pad = case.pad.pad;
        match case.what {
            What::Rung(_, rung) => self.texts(pad, rung, case.si, false),
            What::Bare(_, rung) => self.texts(pad, rung, case.si, true),
            What::Turned(_, rung) => {
                let mut turned = rung.clone();
                let label = &mut turned.labels[usize::from(case.si)];
                *label = label.as_deref().map(super::wording::turned);
                let mut texts = self.texts(pad, &turned, case.si, false);
                texts.retain(|[_, value, _]| !value.starts_with(|c: char| c.is_ascii_digit()));
                texts
            }
            What::Worded(_, rung, word, at) => {
                let mut texts = self.texts(pad, rung, case.si, true);
                texts.retain(|[_, _, unit]| at != Stand::BehindUnit || !unit.is_empty());
                for [_, value, unit] in &mut texts {
                    match at {
                        Stand::Before => *value = format!("{word} {value}"),
                        Stand::Behind => *value = format!("{value} {word}"),
                        Stand::BehindUnit => *unit = format!("{unit} {word}"),
                    }
                }
                texts
            }
            What::Said(_, rung, word) => self.with(pad, rung, 0, word),
            What::Spelled(_, rung, unit) => self.with(pad, rung, 2, unit),
            What::Named(_, rung, _) => self.texts(pad, rung, case.si, false),
            What::Unread(word) => vec![[word.to_owned(), String::new(), String::new()]],
            What::Missing => Vec::new(),
        }
    }
}

/// True where a print in the other unit system says the same: one unit, or cells, counted alike by the microlitre
/// and by the litre.
pub(super) fn one_unit(pad: &Pad) -> bool {
    let [one, other] = pad.scales.each_ref().map(|s| s.as_ref().map_or("", |s| s.ucum.as_str()));
    let cells = |ucum: &str| ["{Ery}/uL", "{Leu}/uL", "/uL", "10*6/L"].contains(&ucum);
    one == other || (cells(one) && cells(other))
}

/// A label with the comparator of the other end.
pub(super) fn turned(label: &str) -> String {
    let (sign, digits) = cut(label);
    format!("{}{digits}", if sign.starts_with('>') { "<=" } else { ">=" })
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
