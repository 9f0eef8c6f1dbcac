//! Dates and times of a print: which words are some, and in which order their parts stand.

use super::wire::Line;
use super::write::{Page, few, list, text};
use super::{tongues, words};

/// How the print writes its dates, as far as it can be told.
#[derive(Clone, Debug, Default)]
pub(super) struct Dates {
    order: &'static str,
    /// Dates that another order would read as well.
    unsure: bool,
    seen: Vec<String>,
    months: Vec<(&'static str, Vec<&'static str>)>,
    halves: Option<(String, String)>,
}

/// The parts of a date that is one word. None: it is none.
fn parts(word: &str) -> Option<Vec<&str>> {
    let parts: Vec<&str> = match glued(word) {
        Some(parts) => parts.to_vec(),
        None => word.split(['-', '.', '/']).collect(),
    };
    let digits = |text: &str, most: usize| {
        !text.is_empty() && text.len() <= most && text.bytes().all(|b| b.is_ascii_digit())
    };
    let fits = match parts.as_slice() {
        [year, day] => digits(year, 4) && year.len() == 4 && digits(day, 3) && day.len() == 3,
        [year, week, day] if week.starts_with('W') => {
            digits(year, 4) && week.len() == 3 && digits(day, 1)
        }
        [one, two, three] => {
            let named = tongues::is_month(one) || tongues::is_month(two);
            let long =
                [one, two, three].iter().filter(|part| part.len() == 4 && digits(part, 4)).count();
            let figures = [one, two, three].iter().filter(|part| digits(part, 2)).count();
            figures + long + usize::from(named) == 3 && long <= 1 && two.len() < 4
        }
        _ => false,
    };
    fits.then_some(parts)
}

/// Day, month by its name and year with nothing between them: `14MAR26`.
fn glued(word: &str) -> Option<[&str; 3]> {
    let from = word.find(|c: char| !c.is_ascii_digit())?;
    let to = word.rfind(|c: char| !c.is_ascii_digit())?;
    let to = to + word.get(to..)?.chars().next()?.len_utf8();
    let (day, month, year) = (word.get(..from)?, word.get(from..to)?, word.get(to..)?);
    let figures = matches!(day.len(), 1 | 2) && matches!(year.len(), 2 | 4);
    (figures && tongues::is_month(month)).then_some([day, month, year])
}

pub(super) fn is_date(word: &str) -> bool {
    parts(word).is_some()
}

/// Whether a word is a time of day. With points it is one behind a date alone: else it is a number.
pub(super) fn is_time(word: &str, after_date: bool) -> bool {
    let bare = word.trim_end_matches(|c: char| c.is_ascii_alphabetic());
    if bare.len() < word.len() && word.get(bare.len()..).and_then(words::half).is_none() {
        return false;
    }
    let sign = if bare.contains(':') { ':' } else { '.' };
    let four = bare.split_at_checked(2).filter(|_| after_date && bare.len() == 4);
    let parts: Vec<&str> = match four.filter(|_| bare.bytes().all(|b| b.is_ascii_digit())) {
        Some((hour, minute)) => vec![hour, minute],
        None => bare.split(sign).collect(),
    };
    let two = |part: &&str| part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit());
    let hour = |part: &&str| matches!(part.parse::<u8>(), Ok(0..=23)) && part.len() <= 2;
    matches!(parts.len(), 2 | 3)
        && parts.first().is_some_and(hour)
        && parts.iter().skip(1).all(two)
        && (sign == ':' || after_date)
}

impl Dates {
    pub fn of(lines: &[Line]) -> Dates {
        let words =
            || lines.iter().flat_map(|line| line.text.split([' ', '\t', ';', '|', '=', ',']));
        let seen: Vec<String> = words().filter(|word| is_date(word)).map(str::to_owned).collect();
        let found: Vec<Vec<&str>> = seen.iter().filter_map(|date| parts(date)).collect();
        let alone = lines.iter().flat_map(|line| named(&line.text));
        let names: Vec<String> = found
            .iter()
            .flatten()
            .map(|part| (*part).to_owned())
            .chain(alone)
            .filter(|part| tongues::is_month(part))
            .collect();
        let print: Vec<&str> = lines.iter().map(|line| line.text.as_str()).collect();
        let months = if names.is_empty() { Vec::new() } else { tongues::months(&names, &print) };
        let (order, unsure) = order(&found);
        let half = words().find(|word| words::half(word).is_some());
        let halves = half.map(|word| {
            let (am, pm) = if word.contains('.') { ("a.m.", "p.m.") } else { ("am", "pm") };
            let capital = word.starts_with(|c: char| c.is_uppercase());
            let spell = |text: &str| if capital { text.to_uppercase() } else { text.to_owned() };
            (spell(am), spell(pm))
        });
        Dates { order, unsure, seen, months, halves }
    }

    pub fn write(&self, page: &mut Page) {
        page.line("\n[dates]");
        let mut some = self.seen.clone();
        some.dedup();
        match some.as_slice() {
            [] if self.months.is_empty() => page.ask("no date was found: in which order does the print write one?"),
            [] => page.note("the months have names, and each form says where its day stands: no date needs this order"),
            _ if self.unsure => page.ask(format!(
                "is this the order of day and month? {} can be read in more than one: look at the day of the capture",
                few(&some)
            )),
            _ => page.ask(format!("is this the order in {}?", few(&some))),
        }
        page.line(format!("order = {}", text(self.order)));
        if let Some((language, names)) = self.months.first() {
            let mut others: Vec<&str> = self.months.iter().map(|(name, _)| *name).collect();
            others.retain(|name| name != language);
            others.sort_unstable();
            others.dedup();
            let fit = match others.as_slice() {
                [] => String::new(),
                others => format!("; {} would fit as well", others.join(", ")),
            };
            page.ask(format!(
                "are these its twelve months? Only some were seen; the others are {language} words{fit}"
            ));
            page.line(format!("months = {}", list(names)));
        }
        if let Some((am, pm)) = &self.halves {
            page.ask("is this how the print spells the halves of the day?");
            page.line(format!("am = {}\npm = {}", list([am]), list([pm])));
        }
    }
}

/// A month between a day and a year, each a word of its own.
fn named(line: &str) -> Vec<String> {
    let words: Vec<&str> = line.split_whitespace().map(|word| word.trim_end_matches(',')).collect();
    let days = words.windows(3).filter(|three| named_day(three).is_some());
    days.flatten().filter(|word| tongues::is_month(word)).map(|word| (*word).to_owned()).collect()
}

/// The form of a day in three words: `14 Mar 2026`, `14. März 2026`, `Mar 14, 2026`. None: they are none.
pub(super) fn named_day(three: &[&str]) -> Option<&'static str> {
    let [one, two, year] = three else { return None };
    let figures = |word: &str, most: usize| word.len() <= most && word.parse::<u16>().is_ok();
    figures(year, 4).then_some(())?;
    let day = one.trim_end_matches('.');
    if figures(day, 2) && tongues::is_month(two) {
        return Some(if day.len() < one.len() {
            "{day}. {month} {year}"
        } else {
            "{day} {month} {year}"
        });
    }
    let day = two.trim_end_matches(',');
    // The comma was cut from its word, and stands before the year.
    (figures(day, 2) && tongues::is_month(one)).then_some("{month} {day}, {year}")
}

/// The form of a time that is written with an h: `7h42`, or `7 h 42`, and how many words it is.
pub(super) fn named_time(three: &[&str]) -> Option<(&'static str, usize)> {
    let figures = |word: &str, least: usize| {
        (least..=2).contains(&word.len()) && word.bytes().all(|b| b.is_ascii_digit())
    };
    if let [hour, "h" | "H", minute] = three {
        let form = if three.contains(&"h") { "{hour} h {minute}" } else { "{hour} H {minute}" };
        return (figures(hour, 1) && figures(minute, 2)).then_some((form, 3));
    }
    let word = three.first()?;
    let (hour, minute) = word.split_once(['h', 'H'])?;
    let form = if word.contains('h') { "{hour}h{minute}" } else { "{hour}H{minute}" };
    (figures(hour, 1) && figures(minute, 2)).then_some((form, 1))
}

/// The order that fits all dates, and whether another one does as well.
fn order(dates: &[Vec<&str>]) -> (&'static str, bool) {
    let number =
        |date: &Vec<&str>, at: usize| date.get(at).and_then(|part| part.parse::<u16>().ok());
    let any = |at: usize, least: u16| {
        dates.iter().any(|date| number(date, at).is_some_and(|n| n >= least))
    };
    let named = |at: usize| {
        dates.iter().any(|date| date.get(at).is_some_and(|part| tongues::is_month(part)))
    };
    if dates.iter().any(|date| date.len() == 2) {
        return ("ordinal", false);
    }
    if dates.iter().any(|date| date.get(1).is_some_and(|part| part.starts_with('W'))) {
        return ("week", false);
    }
    if any(0, 32) {
        return if any(1, 13) { ("ydm", false) } else { ("ymd", false) };
    }
    match (named(0) || any(1, 13), named(1) || any(0, 13)) {
        (true, _) => ("mdy", false),
        (_, true) => ("dmy", false),
        _ => ("dmy", !dates.is_empty()),
    }
}

#[cfg(test)]
mod tests {
    use super::{Dates, Line, Page};

    #[test]
    fn the_question_about_months_names_every_language_that_has_those_seen() {
        let asked = |month: &str| {
            let line = Line { capture: 0, group: 0, text: format!("14 {month} 2026") };
            let mut page = Page::default();
            Dates::of(&[line]).write(&mut page);
            page.finish()
        };
        let many = asked("Sep");
        assert!(many.contains("would fit as well"), "{many}");
        let one = asked("M\u{e4}rz");
        assert!(!one.contains("would fit as well"), "{one}");
    }
}
