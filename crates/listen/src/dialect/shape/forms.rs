//! The forms of a header: what each means, and which of them no line may have together.

use wickline_normalize::sheet::{Keys, Spot};
use wickline_normalize::words::quote;

use super::{Header, Sign};
use crate::dialect::calendar::Calendar;
use crate::dialect::form::Form;

/// Forms of a header at most: each is tried against each.
const MAX_FORMS: usize = 60;

pub(super) fn header(keys: &Keys<'_, '_>, calendar: &Calendar) -> Header {
    let mut forms: Vec<(Spot<Form>, &str, Sign)> = Vec::new();
    for (key, sign) in [
        ("control", Sign::Control),
        ("urgent", Sign::Urgent),
        ("controls_not_passed", Sign::NotPassed),
        ("lines", Sign::None),
    ] {
        for text in keys.texts(key) {
            match Form::parse(&text.value, calendar) {
                Ok(own) => {
                    twofold(keys, key, &text, &own, calendar);
                    let own = own.into_iter().map(|form| Spot { at: text.at, value: form });
                    forms.extend(own.map(|form| (form, key, sign)));
                }
                Err(allowed) => keys.fault(text.at, key, quote(&text.value), allowed),
            }
        }
    }
    if forms.len() > MAX_FORMS {
        let found = format!("{} forms", forms.len());
        let allowed = format!(
            "at most {MAX_FORMS} of all kinds; one with {{x?}} right before another placeholder is two"
        );
        keys.fault(keys.at, "lines", found, allowed);
        return Header::new(Vec::new(), &[]);
    }
    let mut over = vec![0_u64; forms.len()];
    for (n, (form, key, sign)) in forms.iter().enumerate() {
        for (m, (other, other_key, other_sign)) in forms.iter().enumerate().skip(n + 1) {
            if form.at == other.at {
                continue;
            }
            let Some(line) = both_fit(&form.value, *sign, &other.value, *other_sign, calendar)
            else {
                continue;
            };
            if gives_way((&other.value, *other_sign), (&form.value, *sign), calendar) {
                over[n] |= 1 << m;
                continue;
            }
            if gives_way((&form.value, *sign), (&other.value, *other_sign), calendar) {
                over[m] |= 1 << n;
                continue;
            }
            let found = format!(
                "{}; but {} of header.{other_key} fits the same line {}, and says something else",
                quote(&form.value.text),
                quote(&other.value.text),
                quote(&line)
            );
            let allowed = "forms that no line has both of, or one that is the other with more words: \
                           give one of them words of its own";
            keys.fault(form.at, key, found, allowed);
        }
    }
    let forms = forms.into_iter().map(|(form, _, sign)| (form.value, sign)).collect();
    Header::new(forms, &over)
}

/// Refuses a text of which two forms fit a line and read it differently.
pub(super) fn twofold(
    keys: &Keys<'_, '_>,
    key: &str,
    text: &Spot<String>,
    forms: &[Form],
    calendar: &Calendar,
) {
    let pairs = forms
        .iter()
        .enumerate()
        .flat_map(|(n, one)| forms.iter().skip(n + 1).map(move |other| (one, other)));
    let line = pairs
        .filter_map(|(one, other)| both_fit(one, Sign::None, other, Sign::None, calendar))
        .next();
    if let Some(line) = line {
        let found = format!(
            "{}; but nothing tells which of its placeholders is empty in the line {}",
            quote(&text.value),
            quote(&line)
        );
        let allowed = "a word or sign between the two, or two forms of which no line has both: one in which it \
                       must be there ({x} for {x?}), and one without it";
        keys.fault(text.at, key, found, allowed);
    }
}

/// Whether one form is not tried where another fits, of which every line has it too. What a line says of
/// its class is never lost so.
fn gives_way(one: (&Form, Sign), to: (&Form, Sign), calendar: &Calendar) -> bool {
    (one.1 == Sign::None || one.1 == to.1) && to.0.narrower(one.0, calendar)
}

/// A line that both forms fit and read differently.
fn both_fit(
    one: &Form,
    one_sign: Sign,
    other: &Form,
    other_sign: Sign,
    calendar: &Calendar,
) -> Option<String> {
    let lines = one.samples(calendar, other).into_iter().chain(other.samples(calendar, one));
    lines.filter(|line| !line.is_empty()).find(|line| {
        let (mut first, mut second) = (Vec::new(), Vec::new());
        one.fits(line, calendar, &mut first)
            && other.fits(line, calendar, &mut second)
            && (one_sign != other_sign || !super::agree(&first, &second))
    })
}
