//! How a print shows its class: every sign that the configuration or the dialect knows.

use wickline_normalize::pattern::Pattern;

use super::sheet::Habits;
use crate::settings::AnalyzerKeys;

/// The class of a case.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    Routine,
    Stat,
    Control,
}

impl Class {
    pub const ALL: [Class; 3] = [Class::Routine, Class::Stat, Class::Control];

    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Class::Routine => "routine",
            Class::Stat => "stat",
            Class::Control => "control",
        }
    }
}

/// How a class is put on the print.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Sign {
    /// What it is, for people: `mark Q1`.
    pub what: String,
    /// In front of the number.
    pub mark: String,
    /// Instead of the number's first digit.
    pub digit: String,
    /// A line of its own; for LIS02 the code of O-6 or O-12.
    pub line: String,
    /// Instead of the specimen; None: the template's stays.
    pub specimen: Option<String>,
    /// Of control material: nothing on the print says of which, so that a person must.
    pub unnamed: bool,
}

/// Every sign by which this analyzer's prints can show a class. Empty: none does.
#[must_use]
pub fn signs(class: Class, habits: &Habits, raw: &AnalyzerKeys) -> Vec<Sign> {
    let (digit_of, marks, code, forms) = match class {
        Class::Routine => return vec![Sign::default()],
        Class::Stat => ("urgent", &raw.stat_marks, "S", &habits.urgent),
        Class::Control => ("control", &raw.control_marks, "Q", &habits.control),
    };
    let control = class == Class::Control;
    // Control material bears an id of its own where one is configured for its level.
    let id = |level: &str| {
        let mut known = raw.control_specimens.iter().map(|pattern| level_of(pattern));
        let fits = |own: &str| own.is_empty() || level.is_empty() || own == level;
        known.find(|(_, own)| fits(own)).map_or_else(String::new, |(pattern, _)| example(pattern))
    };
    let sign = |kind: &str, text: &str, level: &str| {
        let specimen = control.then(|| id(level));
        let unnamed = specimen.as_ref().is_some_and(String::is_empty) && level.is_empty();
        Sign { what: format!("{kind} {text}"), specimen, unnamed, ..Sign::default() }
    };
    let mut all = Vec::new();
    let leading = raw.number_classes.iter().filter_map(|rule| {
        let (form, is) = rule.split_once('=')?;
        let (own, level) = is.split_once(':').unwrap_or((is, ""));
        (own == class.word()).then(|| Some((form.get(..1)?, level)))?
    });
    let digit = habits.digits.get(digit_of).map(|digit| (digit.as_str(), ""));
    for (digit, level) in digit.into_iter().chain(leading) {
        all.push(Sign { digit: digit.to_owned(), ..sign("digit", digit, level) });
    }
    for (mark, level) in marks.iter().map(|mark| level_of(mark)) {
        all.push(Sign { mark: mark.to_owned(), ..sign("mark", mark, level) });
    }
    for (pattern, _) in raw.control_specimens.iter().map(|p| level_of(p)).filter(|_| control) {
        let (specimen, id) = (Some(example(pattern)), example(pattern));
        all.push(Sign { specimen, unnamed: false, ..sign("specimen", &id, "") });
    }
    if raw.dialect == "lis02" {
        all.push(Sign { line: code.to_owned(), ..sign("code", code, "") });
    }
    let level = raw.control_levels.first().map_or("1", String::as_str);
    for form in forms {
        let level = if form.contains("{level}") { level } else { "" };
        let lines = filled(form, level).into_iter();
        all.extend(lines.map(|line| Sign { line: line.clone(), ..sign("line", &line, level) }));
    }
    // One that says of what goes through everything, the others through one case. Where the number's first digit
    // is the class, a mark before it is the last to be believed.
    all.sort_by_key(|s| (!s.mark.is_empty() && !habits.digits.is_empty(), s.unnamed));
    all
}

/// Signs of class that no case of a proof shows, one sentence each: forms that want more than a level and a lot, and
/// what stands behind a number.
#[must_use]
pub fn unshown(habits: &Habits, raw: &AnalyzerKeys) -> Vec<String> {
    let classes = [
        ("control", "control material", &habits.control),
        ("urgent", "urgent work", &habits.urgent),
    ];
    let none_run = raw.controls == "none";
    let wanted = classes.into_iter().filter(|(class, ..)| !(*class == "control" && none_run));
    let signs = wanted.flat_map(|(class, what, forms)| {
        let forms = forms.iter().filter(|form| filled(form, "1").is_none());
        let forms = forms.map(move |form| format!("{what} by {form}"));
        let behind = habits.suffixes.iter().filter(move |(_, of)| of == class);
        forms.chain(behind.map(move |(sign, _)| format!("{what} by {sign} behind the number")))
    });
    signs.map(|sign| format!("{sign}: no case of `prove` shows it")).collect()
}

/// A sign and the level behind it.
fn level_of(text: &str) -> (&str, &str) {
    text.rsplit_once('=').unwrap_or((text, ""))
}

/// An id that a pattern fits.
fn example(pattern: &str) -> String {
    pattern.parse().map_or_else(|_| String::new(), |pattern: Pattern| pattern.example())
}

/// A form with a level and a lot in it. None: it wants something else.
pub(super) fn filled(form: &str, level: &str) -> Option<String> {
    let text = form.replace("{level}", level).replace("{lot}", "L1").replace("{any?}", "");
    (!text.contains('{')).then_some(text)
}

#[cfg(test)]
mod tests {
    use super::{example, filled};

    #[test]
    fn a_pattern_and_a_form_have_an_example() {
        for (pattern, id) in [("QC-*", "QC-"), ("QC-L[0-9]{3}", "QC-L000"), ("[QK]C-?", "QC-?")] {
            assert_eq!(example(pattern), id);
        }
        let form = filled("Control level {level}, lot {lot}{any?}", "2");
        assert_eq!(form.as_deref(), Some("Control level 2, lot L1"));
        assert_eq!(filled("Control of {day}", "1"), None);
    }
}
