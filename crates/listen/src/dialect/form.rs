//! Line forms: `No. {number}`, `{date} {time}`, `Operator {operator?}`. How a header line looks.
//!
//! A form is matched from left to right and never goes back: a placeholder reaches to the next literal or blank. That
//! makes it cheap, and makes what an analyst sees in `explain` the same as what the program does.

use nom::branch::alt;
use nom::bytes::complete::{take_till, take_till1, take_while1};
use nom::character::complete::char;
use nom::combinator::{all_consuming, map, opt};
use nom::multi::many1;
use nom::sequence::delimited;
use nom::{IResult, Parser};
use wickline_normalize::words::{nearest, quote};

use super::calendar::Calendar;
use super::steps;

/// What a placeholder stands for.
///
/// Each has its own idea of what can stand in its place, which tells lines of one form from those of
/// another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Field {
    Number,
    Specimen,
    Operator,
    Strip,
    StripLot,
    Expiry,
    Lot,
    Level,
    Date,
    Day,
    Month,
    Year,
    Time,
    Half,
    /// How many readings the print says that it has.
    Count,
    /// Which page of the report this is, and how many it has.
    Page,
    Pages,
    /// Anything, read past.
    Any,
}

/// Every placeholder: its name in a form, what it is, and what it is called in an anatomy.
const FIELDS: &[(&str, Field, &str)] = &[
    ("number", Field::Number, "number"),
    ("specimen", Field::Specimen, "specimen"),
    ("operator", Field::Operator, "operator"),
    ("strip", Field::Strip, "strip"),
    ("strip_lot", Field::StripLot, "strip lot"),
    ("expiry", Field::Expiry, "expiry"),
    ("lot", Field::Lot, "lot"),
    ("level", Field::Level, "level"),
    ("date", Field::Date, "date"),
    ("day", Field::Day, "date"),
    ("month", Field::Month, "date"),
    ("year", Field::Year, "date"),
    ("time", Field::Time, "time"),
    ("half", Field::Half, "time"),
    ("count", Field::Count, "count"),
    ("page", Field::Page, "page"),
    ("pages", Field::Pages, "page"),
    ("any", Field::Any, "ignored"),
];

#[derive(Clone, Debug, PartialEq, Eq)]
enum Piece {
    Literal(String),
    /// Blanks, at least one, unless the line ends or an optional field follows.
    Blank,
    Field {
        field: Field,
        optional: bool,
    },
}

/// The first byte of a line of a form: most lines of a print have none of the forms, and this tells
/// it at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum First {
    Byte(u8),
    Digit,
    Whatever,
}

/// One form of a header line.
///
/// Compared as a whole line, blanks around it apart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Form {
    pub text: String,
    pieces: Vec<Piece>,
    first: First,
}

impl Form {
    /// Reads the form of a line, or says what is allowed instead.
    pub fn parse(text: &str, calendar: &Calendar) -> Result<Form, String> {
        let form = Self::of(text, calendar)?;
        let own = |field: &Field| {
            use Field::{Any, Count, Lot, Operator, Page, Pages, Specimen, Strip, StripLot};
            let bare = matches!(field, Any | Count | Page | Pages);
            !bare && !matches!(field, Lot | Operator | Specimen | Strip | StripLot)
        };
        let words = form.pieces.iter().any(|piece| matches!(piece, Piece::Literal(_)));
        if !words && !fields(&form.pieces).any(|(field, _)| own(&field)) {
            return Err("words or signs beside the placeholders, or a number, date or time among \
                        them: any line would have this form"
                .into());
        }
        Ok(form)
    }

    /// Reads a form that has a place of its own, or says what is allowed instead.
    pub fn of(text: &str, calendar: &Calendar) -> Result<Form, String> {
        let placeholders = || {
            let names: Vec<_> = FIELDS.iter().map(|(name, ..)| format!("{{{name}}}")).collect();
            format!(
                "text with placeholders {}, each with ? before its closing brace if it may be empty",
                names.join(" ")
            )
        };
        let (_, pieces) =
            all_consuming(many1(piece)).parse(text.trim()).map_err(|_| placeholders())?;
        let pieces = pieces.into_iter().collect::<Result<Vec<Piece>, String>>()?;
        let adjoining = |pair: &[Piece]| matches!(pair, [Piece::Field { .. }, Piece::Field { .. }]);
        if pieces.windows(2).any(adjoining) {
            return Err("two placeholders with something between them, a blank or a sign".into());
        }
        let fields: Vec<Field> = fields(&pieces).map(|(field, _)| field).collect();
        let twice = |(n, field): (usize, &Field)| {
            *field != Field::Any && fields.iter().skip(n + 1).any(|other| other == field)
        };
        if fields.iter().enumerate().any(twice) {
            return Err("each placeholder once in a line, only {any} oftener".into());
        }
        let has = |wanted: Field| fields.contains(&wanted);
        if has(Field::Page) != has(Field::Pages) {
            return Err(
                "{page} and {pages} in one form: without the second a lost last page is not \
                        noticed"
                    .into(),
            );
        }
        let first = match pieces.first() {
            Some(Piece::Literal(text)) => text.bytes().next().map_or(First::Whatever, First::Byte),
            Some(Piece::Field { field: Field::Date | Field::Day, optional: false })
                if calendar.months.is_empty() =>
            {
                First::Digit
            }
            Some(Piece::Field { field: Field::Time, optional: false }) => First::Digit,
            _ => First::Whatever,
        };
        Ok(Form { text: text.trim().to_owned(), pieces, first })
    }

    /// Whether a field of a record, which may be empty, has this form.
    pub fn fits_field<'l>(
        &self,
        text: &'l str,
        calendar: &Calendar,
        found: &mut Vec<(Field, &'l str)>,
    ) -> bool {
        let lacks = |piece: &Piece| matches!(piece, Piece::Field { optional: true, .. });
        self.fits(text, calendar, found) || text.is_empty() && self.pieces.iter().all(lacks)
    }

    /// Whether the line, already trimmed, has this form; `found` gets what each placeholder holds.
    pub fn fits<'l>(
        &self,
        line: &'l str,
        calendar: &Calendar,
        found: &mut Vec<(Field, &'l str)>,
    ) -> bool {
        line.as_bytes().first().is_some_and(|byte| self.begins_with(*byte)) && {
            found.clear();
            self.read(line, calendar, found).is_ok()
        }
    }

    /// Whether a line of this form may hold this.
    pub fn names(&self, wanted: Field) -> bool {
        fields(&self.pieces).any(|(field, _)| field == wanted)
    }

    /// Whether a line of this form must hold this.
    pub fn needs(&self, wanted: Field) -> bool {
        fields(&self.pieces).any(|(field, optional)| field == wanted && !optional)
    }

    /// For a line that has not this form and begins with its first words: how many bytes of it fit, and
    /// what is wanted behind them.
    pub fn nearly(&self, line: &str, calendar: &Calendar) -> Option<(usize, String)> {
        let begun = self.pieces.first()?.literal()?;
        let words = begun.chars().filter(|c| c.is_alphabetic()).count() > 1;
        (words && line.starts_with(begun)).then_some(())?;
        let (at, piece) = self.read(line, calendar, &mut Vec::new()).err()?;
        // At the end of a line the blank does not lack, but what stands behind it.
        let lacks = line.len() == at && self.pieces.get(piece) == Some(&Piece::Blank);
        let wanted = match self.pieces.get(piece + usize::from(lacks)) {
            None => "the end of the line".to_owned(),
            Some(Piece::Literal(text)) => quote(text),
            Some(Piece::Blank) => "a blank".to_owned(),
            Some(Piece::Field { field, .. }) => {
                let name = FIELDS.iter().find(|(_, known, _)| known == field)?.0;
                if line.len() == at {
                    format!("{{{name}}}, or {{{name}?}} in its place if it may be empty")
                } else {
                    format!("what {{{name}}} can be")
                }
            }
        };
        Some((at, wanted))
    }

    /// Whether a line of this form can begin with this byte.
    pub fn begins_with(&self, byte: u8) -> bool {
        match self.first {
            First::Whatever => true,
            First::Byte(first) => first == byte,
            First::Digit => byte.is_ascii_digit(),
        }
    }

    /// Err: the bytes of the line that fit, and the piece that does not.
    fn read<'l>(
        &self,
        line: &'l str,
        calendar: &Calendar,
        found: &mut Vec<(Field, &'l str)>,
    ) -> Result<(), (usize, usize)> {
        let mut rest = line;
        for (n, piece) in self.pieces.iter().enumerate() {
            let stop = (line.len() - rest.len(), n);
            match piece {
                Piece::Literal(text) => rest = rest.strip_prefix(text.as_str()).ok_or(stop)?,
                Piece::Blank => {
                    let after = rest.trim_ascii_start();
                    let next = self.pieces.get(n + 1);
                    let may_lack = matches!(next, Some(Piece::Field { optional: true, .. }));
                    if after.len() == rest.len() && !(rest.is_empty() && may_lack) {
                        return Err(stop);
                    }
                    rest = after;
                }
                Piece::Field { field, optional } => {
                    let end = self.end(n, *field, rest, calendar);
                    let (text, after) =
                        end.and_then(|end| rest.split_at_checked(end)).ok_or(stop)?;
                    let text = text.trim_ascii();
                    if text.is_empty() && !optional || !field.admits(text, calendar) {
                        return Err(stop);
                    }
                    found.push((*field, text));
                    rest = after;
                }
            }
        }
        if rest.is_empty() { Ok(()) } else { Err((line.len() - rest.len(), self.pieces.len())) }
    }

    /// How far the placeholder at place `n` reaches: to what follows it in the form. None: that is not
    /// there.
    fn end(&self, n: usize, field: Field, rest: &str, calendar: &Calendar) -> Option<usize> {
        steps::take(rest.len());
        match self.pieces.get(n + 1) {
            None => Some(rest.len()),
            Some(Piece::Literal(text)) => find(rest, text),
            Some(Piece::Blank) => {
                let words = if field == Field::Any { self.words(n, rest, calendar) } else { None };
                Some(words.or_else(|| rest.bytes().position(is_blank)).unwrap_or(rest.len()))
            }
            Some(Piece::Field { .. }) => None,
        }
    }

    /// How many words stand in place of an `{any}`: up to the first that the form has behind it, or that
    /// can be the date or time there. None: that tells nothing, so it is one word.
    fn words(&self, n: usize, rest: &str, calendar: &Calendar) -> Option<usize> {
        let whole = !matches!(self.pieces.get(n + 3), Some(Piece::Field { .. }));
        let begins = |text: &str| match self.pieces.get(n + 2) {
            Some(Piece::Literal(word)) => text
                .strip_prefix(word.as_str())
                .is_some_and(|after| !whole || after.bytes().next().is_none_or(is_blank)),
            Some(Piece::Field { field: field @ (Field::Date | Field::Time), .. }) => {
                let end = text.bytes().position(is_blank).unwrap_or(text.len());
                text.get(..end).is_some_and(|word| field.admits(word, calendar))
            }
            _ => false,
        };
        let mut at = 0;
        loop {
            let end = at + rest.get(at..)?.bytes().position(is_blank)?;
            let blanks = rest.get(end..)?.bytes().position(|byte| !is_blank(byte))?;
            at = end + blanks;
            if begins(rest.get(at..)?) {
                return Some(end);
            }
        }
    }

    /// Lines of this form: with every placeholder filled, with the optional ones empty, and with each
    /// placeholder in turn holding the words of another form, which is where two forms meet.
    pub fn samples(&self, calendar: &Calendar, other: &Form) -> Vec<String> {
        let usual = |field: Field| field.sample(calendar);
        let mut samples = vec![self.sample(|_, field, _| usual(field))];
        samples.push(self.sample(
            |_, field, optional| {
                if optional { String::new() } else { usual(field) }
            },
        ));
        let words: Vec<&str> = other.pieces.iter().filter_map(Piece::literal).collect();
        for (place, piece) in self.pieces.iter().enumerate() {
            let Piece::Field { field, .. } = piece else { continue };
            for word in words.iter().filter(|word| field.admits(word, calendar)) {
                samples.push(self.sample(|n, field, _| {
                    if n == place { (*word).to_owned() } else { usual(field) }
                }));
            }
        }
        samples
    }

    fn sample(&self, fill: impl Fn(usize, Field, bool) -> String) -> String {
        let word = |(n, piece): (usize, &Piece)| match piece {
            Piece::Literal(text) => text.clone(),
            Piece::Blank => " ".to_owned(),
            Piece::Field { field, optional } => fill(n, *field, *optional),
        };
        let line: String = self.pieces.iter().enumerate().map(word).collect();
        line.trim().to_owned()
    }
}

impl Piece {
    fn literal(&self) -> Option<&str> {
        match self {
            Piece::Literal(text) => Some(text),
            _ => None,
        }
    }
}

fn is_blank(byte: u8) -> bool {
    matches!(byte, b' ' | b'\t')
}

/// Where a literal stands; most are short signs, for which a search of its own is too much.
fn find(text: &str, literal: &str) -> Option<usize> {
    match literal.as_bytes() {
        [byte] => text.bytes().position(|other| other == *byte),
        _ => text.find(literal),
    }
}

fn fields(pieces: &[Piece]) -> impl Iterator<Item = (Field, bool)> + '_ {
    pieces.iter().filter_map(|piece| match piece {
        Piece::Field { field, optional } => Some((*field, *optional)),
        _ => None,
    })
}

/// One piece of a form, or what is wrong with its placeholder.
fn piece(text: &str) -> IResult<&str, Result<Piece, String>> {
    let is_blank = |c: char| c == ' ' || c == '\t';
    let name = take_till(|c: char| !c.is_ascii_lowercase() && c != '_');
    alt((
        map(take_till1(|c: char| "{} \t".contains(c)), |text: &str| {
            Ok(Piece::Literal(text.to_owned()))
        }),
        map(take_while1(is_blank), |_| Ok(Piece::Blank)),
        map(delimited(char('{'), (name, opt(char('?'))), char('}')), |(name, mark)| {
            let known = FIELDS.iter().find(|(known, ..)| *known == name);
            let found =
                known.map(|(_, field, _)| Piece::Field { field: *field, optional: mark.is_some() });
            found.ok_or_else(|| {
                let names: Vec<&str> = FIELDS.iter().map(|(name, ..)| *name).collect();
                let near = nearest(name, &names).unwrap_or("any");
                let names = names.join(", ");
                format!("did you mean {{{near}}} for {}? Known here: {names}", quote(name))
            })
        }),
    ))
    .parse(text)
}

impl Field {
    /// What an anatomy calls it.
    pub fn what(self) -> &'static str {
        FIELDS.iter().find(|(_, field, _)| *field == self).map_or("ignored", |(.., what)| what)
    }

    /// What keeps `{date} {time}` from fitting a line of words.
    fn admits(self, text: &str, calendar: &Calendar) -> bool {
        let one_word = || !text.contains([' ', '\t']) && text.len() <= 40;
        let digits = |least: usize, most: usize| {
            (least..=most).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit())
        };
        if text.is_empty() {
            return true;
        }
        match self {
            Field::Number => one_word() && text.bytes().any(|b| b.is_ascii_digit()),
            Field::Strip | Field::Lot | Field::StripLot => one_word(),
            Field::Level => text.chars().count() == 1,
            Field::Date | Field::Expiry => calendar.admits_date(text),
            Field::Day => digits(1, 2),
            Field::Month => digits(1, 2) || !calendar.months.is_empty() && one_word(),
            Field::Year => digits(2, 4),
            Field::Time => calendar.admits_time(text),
            Field::Half => calendar.admits_half(text),
            Field::Count | Field::Page | Field::Pages => digits(1, 4),
            Field::Specimen | Field::Operator => text.len() <= 120,
            Field::Any => true,
        }
    }

    /// Something that may stand in its place.
    fn sample(self, calendar: &Calendar) -> String {
        let half = calendar.halves.as_ref().and_then(|(am, _)| am.first());
        let sample = match self {
            Field::Number => "0042",
            Field::Specimen => "KP-10023",
            Field::Operator => "op7",
            Field::Strip => "TEN",
            Field::StripLot => "S7731",
            Field::Expiry => "11-2027",
            Field::Lot => "L4471",
            Field::Level => "2",
            Field::Date => "20250314",
            Field::Day => "14",
            Field::Month => calendar.months.first().map_or("3", String::as_str),
            Field::Year => "2025",
            Field::Time => return format!("09:14{}", half.map_or("", String::as_str)),
            Field::Half => return half.cloned().unwrap_or_default(),
            Field::Count => "10",
            Field::Page => "1",
            Field::Pages => "2",
            Field::Any => "x",
        };
        sample.to_owned()
    }
}
