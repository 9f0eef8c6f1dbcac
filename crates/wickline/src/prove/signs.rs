//! How a print shows its class: every sign that the configuration or the dialect knows.

use wickline_listen::dialect::LineAnatomy;
use wickline_normalize::pattern::Pattern;

use super::press::Press;
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
    /// Behind the number, where what the template has there is left out.
    pub behind: String,
    /// A line of its own; for LIS02 the code of O-6 or O-12.
    pub line: String,
    /// The line of the template that it stands instead of; None: it is one more.
    pub instead: Option<usize>,
    /// Instead of the specimen; None: the template's stays.
    pub specimen: Option<String>,
    /// Nothing on the print says of which specimen or which control material, so that a person must.
    pub unnamed: bool,
}

impl Sign {
    /// A number under this sign; `suffixes` are what may stand behind it. None: it stays as it is.
    pub(super) fn numbered(&self, old: &str, suffixes: &[String]) -> Option<String> {
        if !self.behind.is_empty() {
            let mut bare = old;
            while let Some(less) = suffixes.iter().find_map(|sign| bare.strip_suffix(sign.as_str()))
            {
                bare = less;
            }
            return Some(format!("{bare}{}", self.behind));
        }
        if !self.digit.is_empty() {
            return old.get(1..).map(|rest| format!("{}{rest}", self.digit));
        }
        (!self.mark.is_empty()).then(|| format!("{}{old}", self.mark))
    }
}

/// Every sign of class that the configuration or the dialect has.
#[derive(Clone, Debug, Default)]
pub struct Signs {
    /// Those that cases are printed with.
    pub shown: Vec<(Class, Sign)>,
    /// Those that no case shows, each in words: forms that want what the template does not say, and what stands
    /// behind a number where the template has none.
    pub unshown: Vec<(Class, String)>,
}

impl Signs {
    /// The signs of all classes that are run here.
    #[must_use]
    pub fn of(habits: &Habits, raw: &AnalyzerKeys, press: &Press<'_>) -> Signs {
        let mut all = Signs::default();
        for class in Class::ALL {
            if class == Class::Control && raw.controls == "none" {
                continue;
            }
            let shown = signs(class, habits, raw, press);
            all.shown.extend(shown.into_iter().map(|sign| (class, sign)));
            let shows = |form: &str| line_of(class, form, raw, press).is_some();
            let unshown = unshown(class, habits, raw, shows, press.has_number());
            all.unshown.extend(unshown.into_iter().map(|text| (class, text)));
        }
        all
    }

    /// Whether a print can show this class at all, be it by a sign that no case shows.
    #[must_use]
    pub fn has(&self, class: Class) -> bool {
        self.shown.iter().any(|(of, _)| *of == class)
            || self.unshown.iter().any(|(of, _)| *of == class)
    }
}

/// Every sign by which prints can be made of a class.
fn signs(class: Class, habits: &Habits, raw: &AnalyzerKeys, press: &Press<'_>) -> Vec<Sign> {
    let none = Vec::new();
    let (own, code, forms) = match class {
        Class::Routine => ("routine", "", &none),
        Class::Stat => ("urgent", "S", &habits.urgent),
        Class::Control => ("control", "Q", &habits.control),
    };
    let control = class == Class::Control;
    let sign = |kind: &str, text: &str, level: &str| {
        let specimen = control.then(|| id_of(level, raw));
        let unnamed = specimen.as_ref().is_some_and(String::is_empty) && level.is_empty();
        Sign { what: format!("{kind} {text}"), specimen, unnamed, ..Sign::default() }
    };
    // Routine work needs no sign.
    let mut all: Vec<Sign> = (class == Class::Routine).then(Sign::default).into_iter().collect();
    if press.has_number() {
        for (digit, level) in digits(class, habits, raw) {
            all.push(Sign { digit: digit.to_owned(), ..sign("digit", digit, level) });
        }
        for (mark, level) in marks(class, raw).iter().map(|mark| level_of(mark)) {
            all.push(Sign { mark: mark.to_owned(), ..sign("mark", mark, level) });
        }
    }
    for (pattern, _) in raw.control_specimens.iter().map(|p| level_of(p)).filter(|_| control) {
        let (specimen, id) = (Some(example(pattern)), example(pattern));
        all.push(Sign { specimen, unnamed: false, ..sign("specimen", &id, "") });
    }
    if habits.framed && !code.is_empty() {
        all.push(Sign { line: code.to_owned(), ..sign("code", code, "") });
    }
    for form in forms {
        let own = line_of(class, form, raw, press);
        // The lot says of what as well.
        let lot = form.contains("{lot");
        all.extend(own.map(|(level, instead, line)| {
            let named = sign("line", &line, level);
            let blank = || !form.contains("{specimen") && press.says_specimen(instead);
            let unnamed = if control { named.unnamed && !lot } else { blank() };
            Sign { line, instead, unnamed, ..named }
        }));
    }
    let printed = !habits.framed && press.has_number();
    for (behind, _) in habits.suffixes.iter().filter(|(_, of)| of == own && printed) {
        all.push(Sign { behind: behind.to_owned(), ..sign("behind the number", behind, "") });
    }
    // One that says of what goes through everything, the others through one case. Where the number's first digit
    // is the class, a mark before it is the last to be believed.
    all.sort_by_key(|s| (!s.mark.is_empty() && !habits.digits.is_empty(), s.unnamed));
    all
}

/// First digits of a number that mean a class, each with the level that it names.
fn digits<'a>(
    class: Class,
    habits: &'a Habits,
    raw: &'a AnalyzerKeys,
) -> impl Iterator<Item = (&'a str, &'a str)> {
    let own = if class == Class::Stat { "urgent" } else { class.word() };
    let leading = raw.number_classes.iter().filter_map(move |rule| {
        let (form, is) = rule.split_once('=')?;
        let (own, level) = is.split_once(':').unwrap_or((is, ""));
        (own == class.word()).then(|| Some((form.get(..1)?, level)))?
    });
    let digit = habits.digits.get(own).map(|digit| (digit.as_str(), ""));
    digit.into_iter().chain(leading).filter(move |_| class != Class::Routine)
}

/// Marks before a number that mean a class.
fn marks(class: Class, raw: &AnalyzerKeys) -> &[String] {
    match class {
        Class::Routine => &[],
        Class::Stat => &raw.stat_marks,
        Class::Control => &raw.control_marks,
    }
}

/// The id that control material bears where one is configured for its level.
fn id_of(level: &str, raw: &AnalyzerKeys) -> String {
    let mut known = raw.control_specimens.iter().map(|pattern| level_of(pattern));
    let fits = |own: &str| own.is_empty() || level.is_empty() || own == level;
    known.find(|(_, own)| fits(own)).map_or_else(String::new, |(pattern, _)| example(pattern))
}

/// A line of a form by which a class shows, with the level that it names and the line that it stands instead of. None:
/// the form wants what the template does not say.
fn line_of<'r>(
    class: Class,
    form: &str,
    raw: &'r AnalyzerKeys,
    press: &Press<'_>,
) -> Option<(&'r str, Option<usize>, String)> {
    let level = raw.control_levels.first().map_or("1", String::as_str);
    let level = if form.contains("{level}") { level } else { "" };
    let specimen = (class == Class::Control).then(|| id_of(level, raw));
    let (instead, line) = press.put_in(form, level, specimen.as_deref())?;
    Some((level, instead, line))
}

/// Signs of a class that no case shows, each in words.
fn unshown(
    class: Class,
    habits: &Habits,
    raw: &AnalyzerKeys,
    shows: impl Fn(&str) -> bool,
    has_number: bool,
) -> Vec<String> {
    let (of, what, forms) = match class {
        Class::Routine => return Vec::new(),
        Class::Control => ("control", "control material", &habits.control),
        Class::Stat => ("urgent", "urgent work", &habits.urgent),
    };
    let forms = forms.iter().filter(|form| !shows(form));
    let forms = forms.map(|form| format!("{what} by {form}"));
    // Without a number there is no place for what stands at one.
    let behind = habits.suffixes.iter().filter(|(_, own)| *own == of);
    let behind = behind.map(|(sign, _)| format!("{what} by {sign} behind the number"));
    let before = marks(class, raw).iter().map(|mark| level_of(mark).0);
    let before = before.map(|mark| format!("{what} by {mark} before the number"));
    let first = digits(class, habits, raw);
    let first = first.map(|(digit, _)| format!("{what} by the first digit {digit}"));
    let at_number = behind.chain(before).chain(first).filter(|_| !has_number);
    let all = forms.chain(at_number);
    all.map(|sign| format!("{sign}: no case of `prove` shows it")).collect()
}

/// The signs of class that no template could show: their forms want what no other line of a report says.
#[must_use]
pub fn never_shown(habits: &Habits, raw: &AnalyzerKeys) -> Vec<String> {
    let run = Class::ALL.into_iter().filter(|c| *c != Class::Control || raw.controls != "none");
    let said = |name: &str| name == "level" || habits.said.contains(name);
    let could = |form: &str| put_in(form, |name| said(name).then(|| name.to_owned()));
    run.flat_map(|class| unshown(class, habits, raw, |form| could(form).is_some(), true)).collect()
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
    put_in(form, |name| (name == "level").then(|| level.to_owned()))
}

/// What the placeholders of a form are called.
pub(super) fn placeholders(form: &str) -> Vec<String> {
    let mut all = Vec::new();
    put_in(form, |name| {
        all.push(name.to_owned());
        Some(name.to_owned())
    });
    all
}

/// A form with a text for each placeholder. None: one that it needs has none.
pub(super) fn put_in(form: &str, mut of: impl FnMut(&str) -> Option<String>) -> Option<String> {
    let mut text = String::new();
    let mut rest = form;
    while let Some((words, behind)) = rest.split_once('{') {
        let (name, after) = behind.split_once('}')?;
        let (name, optional) = name.strip_suffix('?').map_or((name, false), |name| (name, true));
        let own = match name {
            "any" => Some(if optional { "" } else { "x" }.to_owned()),
            "lot" => Some("L1".to_owned()),
            name => of(name),
        };
        text += words;
        let own = own.filter(|own| optional || !own.is_empty());
        text += &own.or_else(|| optional.then(String::new))?;
        rest = after;
    }
    Some(text + rest)
}

/// What a print has in the place of this line where it has no id: a line of its own that begins alike.
pub(super) fn without_id<'f>(fixed: &'f [String], line: &LineAnatomy) -> Option<&'f String> {
    let only = |(_, kind): &(_, &str)| ["specimen", "words", "ignored"].contains(kind);
    let (id, _) = line.parts.iter().find(|(_, kind)| *kind == "specimen")?;
    let before = line.text.expose().get(..id.start)?.trim();
    let own = fixed.iter().find(|form| form.trim_start().starts_with(before));
    own.filter(|_| !before.is_empty() && line.parts.iter().all(only))
}

/// An O record under a sign: O-3 specimen, O-4 number, O-5 strip, O-6 priority, O-12 action.
pub(super) fn order(sign: &Sign, strip: &str, text: &str) -> String {
    let mut fields: Vec<String> = text.split('|').map(str::to_owned).collect();
    if fields.len() < 12 {
        fields.resize(12, String::new());
    }
    if let Some(specimen) = &sign.specimen {
        fields[2].clone_from(specimen);
    }
    if let Some(number) = sign.numbered(&fields[3], &[]) {
        fields[3] = number;
    }
    if !strip.is_empty() {
        fields[4] = format!("^^^{strip}");
    }
    match sign.line.as_str() {
        "S" => fields[5] = "S".into(),
        "Q" => fields[11] = "Q".into(),
        _ => {}
    }
    fields.join("|")
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
