//! Line forms: `No. {number}`, `{date} {time}`, `Operator {operator?}`. How a header line looks.

use nom::branch::alt;
use nom::bytes::complete::{take_till1, take_while1};
use nom::character::complete::char;
use nom::combinator::{all_consuming, map, opt};
use nom::multi::many1;
use nom::sequence::delimited;
use nom::{IResult, Parser};

/// What a placeholder stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Field {
    Number,
    Specimen,
    Operator,
    Strip,
    Lot,
    Level,
    Date,
    Time,
    /// Anything, read past.
    Any,
}

/// Every placeholder by its name in a form.
pub(super) const FIELDS: &[(&str, Field)] = &[
    ("number", Field::Number),
    ("specimen", Field::Specimen),
    ("operator", Field::Operator),
    ("strip", Field::Strip),
    ("lot", Field::Lot),
    ("level", Field::Level),
    ("date", Field::Date),
    ("time", Field::Time),
    ("any", Field::Any),
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

/// One form of a header line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Form {
    pieces: Vec<Piece>,
    /// The first byte of a line of this form, where a literal begins it: most lines of a print have
    /// none of the forms, and this tells it at once.
    first: Option<u8>,
}

impl Form {
    /// Reads a form, or says what is wrong with it.
    pub fn parse(text: &str) -> Result<Form, String> {
        let pieces = all_consuming(many1(piece)).parse(text.trim());
        let pieces = pieces.ok().and_then(|(_, all)| all.into_iter().collect::<Option<Vec<_>>>());
        let adjoining = |pair: &[Piece]| matches!(pair, [Piece::Field { .. }, Piece::Field { .. }]);
        match pieces {
            Some(pieces) if !pieces.windows(2).any(adjoining) => {
                let first = match pieces.first() {
                    Some(Piece::Literal(text)) => text.bytes().next(),
                    _ => None,
                };
                Ok(Form { pieces, first })
            }
            Some(_) => Err("two placeholders with something between them".into()),
            None => {
                let names: Vec<_> = FIELDS.iter().map(|(name, _)| format!("{{{name}}}")).collect();
                Err(format!(
                    "text with placeholders {}, each with ? before the brace if it may be empty",
                    names.join(" ")
                ))
            }
        }
    }

    /// Whether the line, already trimmed, has this form; `found` gets what each placeholder holds.
    pub fn fits<'l>(&self, line: &'l str, found: &mut Vec<(Field, &'l str)>) -> bool {
        found.clear();
        if self.first.is_some() && line.bytes().next() != self.first {
            return false;
        }
        let mut rest = line;
        let mut pieces = self.pieces.iter().peekable();
        while let Some(piece) = pieces.next() {
            match piece {
                Piece::Literal(text) => match rest.strip_prefix(text.as_str()) {
                    Some(after) => rest = after,
                    None => return false,
                },
                Piece::Blank => {
                    let after = rest.trim_start();
                    let may_lack =
                        matches!(pieces.peek(), Some(Piece::Field { optional: true, .. }));
                    if after.len() == rest.len() && !(rest.is_empty() && may_lack) {
                        return false;
                    }
                    rest = after;
                }
                Piece::Field { field, optional } => {
                    let end = match pieces.peek() {
                        None => Some(rest.len()),
                        Some(Piece::Literal(text)) => rest.find(text.as_str()),
                        Some(Piece::Blank) => rest.find([' ', '\t']).or(Some(rest.len())),
                        Some(Piece::Field { .. }) => None,
                    };
                    let Some((text, after)) = end.and_then(|end| rest.split_at_checked(end)) else {
                        return false;
                    };
                    let text = text.trim();
                    if text.is_empty() && !optional || !field.admits(text) {
                        return false;
                    }
                    found.push((*field, text));
                    rest = after;
                }
            }
        }
        rest.is_empty()
    }
}

/// One piece of a form. None: a placeholder that does not exist.
fn piece(text: &str) -> IResult<&str, Option<Piece>> {
    let is_blank = |c: char| c == ' ' || c == '\t';
    let name = take_till1(|c: char| !c.is_ascii_lowercase());
    alt((
        map(take_till1(|c: char| "{} \t".contains(c)), |text: &str| {
            Some(Piece::Literal(text.to_owned()))
        }),
        map(take_while1(is_blank), |_| Some(Piece::Blank)),
        map(delimited(char('{'), (name, opt(char('?'))), char('}')), |(name, mark)| {
            let known = FIELDS.iter().find(|(known, _)| *known == name);
            known.map(|(_, field)| Piece::Field { field: *field, optional: mark.is_some() })
        }),
    ))
    .parse(text)
}

impl Field {
    /// What keeps `{date} {time}` from fitting a line of words.
    fn admits(self, text: &str) -> bool {
        let one_word = !text.contains([' ', '\t']);
        match self {
            Field::Number | Field::Strip | Field::Lot => one_word && text.len() <= 40,
            Field::Level => text.chars().count() == 1,
            Field::Date => text.bytes().all(|b| b.is_ascii_digit() || b"-./".contains(&b)),
            Field::Time => text.bytes().all(|b| b.is_ascii_digit() || b == b':'),
            Field::Specimen | Field::Operator => text.len() <= 120,
            Field::Any => true,
        }
    }
}
