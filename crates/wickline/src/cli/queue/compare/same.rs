//! Whether a filed result says what was told: value, unit, flag, status, code and specimen. Everything that a record
//! says must agree; what contradicts, differs, whatever else stands beside it.

use wickline_normalize::Figure;
use wickline_normalize::grades::SNOMED;
use wickline_normalize::strip::Pad;
use wickline_normalize::units::{KNOWN, Known as Unit, fold as unit_fold};
use wickline_normalize::words::fold;

use super::filed::{Filed, Part};
use super::told::Told;
use super::wording::{Column, Wording};

/// How one thing that a value says stands to what was told.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Says {
    Same,
    Other,
    /// Nobody here knows it.
    Unknown,
}

/// How the site's receiver writes.
pub struct Manner<'a> {
    pub wording: &'a Wording,
    /// The coding system of our own codes there.
    pub own_system: &'a str,
}

impl Manner<'_> {
    /// In what a filed result differs from the one that was told. A column that the export does not have is not
    /// compared.
    pub fn differences(&self, told: &Told<'_>, filed: &Filed) -> Vec<&'static str> {
        // A pad that was not read has no value: what stands beside an empty one says nothing.
        let unread = told.held.status == "X";
        let mut differs = Vec::new();
        let mut note = |name, same: bool| {
            if !same {
                differs.push(name)
            }
        };
        note("value", self.same_value(told, filed));
        note("unit", unread || filed.unit.as_ref().is_none_or(|u| self.same_unit(told, u)));
        note("flag", filed.flag.as_ref().is_none_or(|flag| self.same_flag(told, flag)));
        let status = filed.status.as_ref();
        note("status", status.is_none_or(|s| self.wording.may_stand_for(s, told.held.status)));
        differs
    }

    fn same_value(&self, told: &Told<'_>, filed: &Filed) -> bool {
        if told.held.status == "X" {
            return filed.value.iter().all(|part| says_unread(told, &part.text));
        }
        let (mut same, mut other) = (false, false);
        for part in &filed.value {
            match self.says(told, &part.text, filed.comma) {
                Says::Same => same = true,
                Says::Unknown if self.is_foreign(part) => {}
                Says::Other | Says::Unknown => other = true,
            }
        }
        same && !other
    }

    /// A code of a table of the receiver's own: what it means, its text beside it says.
    fn is_foreign(&self, part: &Part) -> bool {
        let ours = [self.own_system, "SCT", "SNM", "LN"];
        part.is_code
            && !part.system.is_empty()
            && !ours.iter().any(|own| part.system.eq_ignore_ascii_case(own))
    }

    fn says(&self, told: &Told<'_>, text: &str, comma: bool) -> Says {
        let forms = &told.held.forms;
        if forms
            .iter()
            .any(|form| same_number(form, text, comma).unwrap_or(fold(form) == fold(text)))
        {
            return Says::Same;
        }
        if forms.iter().any(|form| Figure::read(form).is_some()) {
            return Says::Other;
        }
        if let Some(says) = by_pads(told, text) {
            return says;
        }
        let published = SNOMED.iter().filter(|row| row.2 == text || row.3 == text);
        let mut published = published.map(|row| forms.iter().any(|form| form == row.0)).peekable();
        if published.peek().is_some() {
            return if published.any(|same| same) { Says::Same } else { Says::Other };
        }
        let stands = |form: &String| self.wording.stands_for(Column::Value, text, form);
        if forms.iter().any(stands) { Says::Same } else { Says::Unknown }
    }

    fn same_unit(&self, told: &Told<'_>, filed: &[String]) -> bool {
        let unit = told.held.line.unit.as_str();
        let known = KNOWN.iter().find(|k| k.ucum == unit);
        let mapped = |text: &str| self.wording.stands_for(Column::Unit, text, unit);
        if filed.is_empty() {
            return unit.is_empty() || known.is_some_and(Unit::goes_without_saying) || mapped("");
        }
        let is_number = || told.held.forms.iter().any(|form| Figure::read(form).is_some());
        filed.iter().all(|text| {
            let folded = unit_fold(text);
            let strips = || told.pads.iter().any(|pad| is_spelled(pad, unit, text));
            (!unit.is_empty() && folded == unit_fold(unit))
                || known.is_some_and(|k| k.is_spelled(&folded) || folded == unit_fold(k.text))
                || (known.is_some() && strips())
                // A plain ratio has the unit 1, as UCUM writes it.
                || (unit.is_empty() && folded == "1" && is_number())
                || mapped(text)
        })
    }

    fn same_flag(&self, told: &Told<'_>, filed: &[String]) -> bool {
        let flag = told.held.line.flag.as_str();
        let stands = |text: &str| {
            text.eq_ignore_ascii_case(flag) || self.wording.stands_for(Column::Flag, text, flag)
        };
        if filed.is_empty() { stands("") } else { filed.iter().all(|text| stands(text)) }
    }

    /// Withdrawn, deleted or marked as wrong: no value any more.
    pub fn is_taken_back(&self, filed: &Filed) -> bool {
        filed.status.as_ref().is_some_and(|status| self.wording.may_stand_for(status, "W"))
    }
}

/// What the strips that are configured make of a word. None: it is none of theirs, or the grade is not.
fn by_pads(told: &Told<'_>, text: &str) -> Option<Says> {
    let mut says = None;
    for pad in &told.pads {
        let own = told.held.forms.iter().find_map(|form| pad.grade_of(form));
        match own.zip(pad.grade_of(text)) {
            Some((own, theirs)) if own == theirs => says = says.or(Some(Says::Same)),
            Some(_) => return Some(Says::Other),
            None => {}
        }
    }
    says
}

fn says_unread(told: &Told<'_>, text: &str) -> bool {
    fold(text) == "not read" || told.pads.iter().any(|pad| pad.says_unread(text))
}

fn is_spelled(pad: &Pad, unit: &str, text: &str) -> bool {
    let systems = [wickline_normalize::Units::Conventional, wickline_normalize::Units::Si];
    let measures = systems.into_iter().filter_map(|units| pad.measure(units));
    measures.into_iter().any(|m| m.unit.ucum == unit && m.is_spelled(text))
}

/// A number is the same with other zeros at its end, never with another comparator or another end of a range.
/// None: one of them is no number.
fn same_number(ours: &str, theirs: &str, comma: bool) -> Option<bool> {
    let number = |text: &str| {
        let figure = Figure::read(text)?;
        Some((figure.comparator, figure.value(), figure.to.is_some().then(|| figure.upper())))
    };
    let own = number(ours)?;
    if !comma || !theirs.contains(',') || theirs.contains('.') {
        return number(theirs).map(|theirs| own == theirs);
    }
    let dotted = theirs.replace(',', ".");
    // Three digits behind a comma may be thousands: then only what is written alike is the same.
    let mut behind = theirs.split(',').skip(1);
    let thousands = behind.any(|rest| rest.bytes().take_while(u8::is_ascii_digit).count() == 3);
    if thousands { Some(dotted == ours) } else { number(&dotted).map(|theirs| own == theirs) }
}

#[cfg(test)]
mod tests {
    use super::same_number;

    #[test]
    fn numbers_are_the_same_or_not_and_a_comma_is_never_guessed() {
        for (ours, theirs, comma, same) in [
            ("1200", "1200.0", false, Some(true)),
            ("1200", "400", false, Some(false)),
            (">=6", "6", false, Some(false)),
            (">=6", "≥ 6.0", false, Some(true)),
            ("10-25", "10-80", false, Some(false)),
            ("10-25", "10", false, Some(false)),
            ("1.5", "1,5", true, Some(true)),
            ("1.5", "1,5", false, None),
            ("1.020", "1,020", true, Some(true)),
            ("1.2", "1,200", true, Some(false)),
            ("1200", "1,200", true, Some(false)),
            ("3+", "3", false, None),
        ] {
            assert_eq!(same_number(ours, theirs, comma), same, "{ours} {theirs}");
        }
    }
}
