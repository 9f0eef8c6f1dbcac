//! Line forms: `No. {number}`, `{date} {time}`, `Operator {operator?}`. How a header line looks.
//!
//! A form is matched from left to right and never goes back: a placeholder reaches to the next literal or blank. That
//! makes it cheap, and makes what an analyst sees in `explain` the same as what the program does. Where nothing but the
//! whole line tells whether a placeholder is empty, the text stands for two forms (`empty`), and both are tried.

mod empty;
mod field;

use nom::branch::alt;
use nom::bytes::complete::{take_till, take_till1, take_while1};
use nom::character::complete::char;
use nom::combinator::{all_consuming, map, opt};
use nom::multi::many1;
use nom::sequence::delimited;
use nom::{IResult, Parser};
use wickline_normalize::words::{is_nearly, nearest, quote};

use self::field::FIELDS;
pub(super) use self::field::Field;
use super::calendar::Calendar;
use super::steps;

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
    /// The piece behind which a line is of this form or of none: its first words stood there. None: it
    /// begins with no word.
    begun: Option<usize>,
}

/// How far a line has a form.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fit {
    No,
    /// It begins as the form does, down to the first placeholder.
    Begun,
    Whole,
}

impl Form {
    /// Reads the forms of a line that a text stands for, or says what is allowed instead.
    pub fn parse(text: &str, calendar: &Calendar) -> Result<Vec<Form>, String> {
        let forms = Self::of(text, calendar)?;
        forms.iter().try_for_each(Form::tells)?;
        Ok(forms)
    }

    /// Not any line whatever has this form.
    fn tells(&self) -> Result<(), String> {
        let own = |field: &Field| {
            use Field::{
                Any, Count, Lot, Marked, Operator, Page, Pages, Specimen, Strip, StripLot,
            };
            let bare = matches!(field, Any | Count | Marked | Page | Pages);
            !bare && !matches!(field, Lot | Operator | Specimen | Strip | StripLot)
        };
        let words = self.pieces.iter().any(|piece| matches!(piece, Piece::Literal(_)));
        if !words && !fields(&self.pieces).any(|(field, _)| own(&field)) {
            return Err("words or signs beside the placeholders, or a number, date or time among \
                        them: any line would have this form"
                .into());
        }
        Ok(())
    }

    /// Reads the forms, with a place of their own, that a text stands for, or says what is allowed instead.
    pub fn of(text: &str, calendar: &Calendar) -> Result<Vec<Form>, String> {
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
            let parts = |piece: &Piece| piece.is_of([Field::Day, Field::Month, Field::Year]);
            let hint = match pieces.windows(2).any(|pair| adjoining(pair) && pair.iter().all(parts))
            {
                true => {
                    ": where day, month and year stand without anything between them, as 14MAR26 or 140326, that \
                         is one {date}"
                }
                false => "",
            };
            return Err(format!(
                "two placeholders with something between them, a blank or a sign{hint}"
            ));
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
        let all = empty::alternatives(pieces)?;
        Ok(all.into_iter().map(|pieces| Form::made(text, pieces, calendar)).collect())
    }

    fn made(text: &str, pieces: Vec<Piece>, calendar: &Calendar) -> Form {
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
        let placeholder = pieces.iter().position(|piece| matches!(piece, Piece::Field { .. }));
        let word = pieces.first().and_then(Piece::literal).is_some_and(is_word);
        let begun = placeholder.filter(|_| word);
        Form { text: text.trim().to_owned(), pieces, first, begun }
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
        self.fit(line, calendar, found) == Fit::Whole
    }

    /// How far the line, already trimmed, has this form.
    pub fn fit<'l>(
        &self,
        line: &'l str,
        calendar: &Calendar,
        found: &mut Vec<(Field, &'l str)>,
    ) -> Fit {
        if !line.as_bytes().first().is_some_and(|byte| self.begins_with(*byte)) {
            return Fit::No;
        }
        found.clear();
        match self.read(line, calendar, found) {
            Ok(()) => Fit::Whole,
            Err((_, piece)) if self.begun.is_some_and(|begun| piece >= begun) => Fit::Begun,
            Err(_) => Fit::No,
        }
    }

    /// Whether this form is meant wherever both fit: it has words of its own, every line of it is one of
    /// the other as well, and not the other way round.
    pub fn narrower(&self, other: &Form, calendar: &Calendar) -> bool {
        let words = |form: &Form| form.pieces.iter().filter_map(Piece::literal).map(str::len).sum();
        let (own, others): (usize, usize) = (words(self), words(other));
        let fits = |form: &Form, line: &str| form.fits(line, calendar, &mut Vec::new());
        let lines = self.samples(calendar, other);
        let usual = other.sample(|_, field, _| field.sample(calendar));
        // A sample may have a word of the other form by chance; two of them do not.
        let second = self.sample(|_, field, _| {
            let [_, second] = field.samples(calendar);
            second
        });
        own > others
            && !fits(self, &usual)
            && fits(other, &second)
            && lines.iter().all(|line| !fits(self, line) || fits(other, line))
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
        line.starts_with(begun).then_some(())?;
        let (at, piece) = self.read(line, calendar, &mut Vec::new()).err()?;
        // A sign begins many lines: only what a placeholder tells behind it is of this form.
        let mut told = self.pieces.get(..piece)?.iter().map(Piece::tells);
        (is_word(begun) || told.any(|tells| tells)).then_some(())?;
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
                } else if *field == Field::Time {
                    let half = calendar
                        .half_words()
                        .map_or(String::new(), |words| format!(" with {words} behind it"));
                    format!(
                        "a time as 7:42, 7.42 or 0742{half}, or {{hour}} and {{minute}} in its place,"
                    )
                } else {
                    format!("what {{{name}}} can be")
                }
            }
        };
        Some((at, wanted))
    }

    /// How many letters of its own words a line has, in their order.
    pub fn words_in(&self, line: &str) -> usize {
        let (mut rest, mut letters) = (line, 0);
        for word in self.pieces.iter().filter_map(Piece::literal) {
            if let Some((_, after)) = rest.split_once(word) {
                (rest, letters) = (after, letters + word.len());
            }
        }
        letters
    }

    /// For a line that has all of this form up to one of its words, and there one that is nearly it: where that stands,
    /// and the word that is wanted.
    pub fn misspelt(&self, line: &str, calendar: &Calendar) -> Option<(usize, &str)> {
        let (at, piece) = self.read(line, calendar, &mut Vec::new()).err()?;
        let wanted = self.pieces.get(piece)?.literal()?;
        let rest = line.get(at..)?;
        let found = rest.get(..rest.bytes().position(is_blank).unwrap_or(rest.len()))?;
        is_nearly(found, wanted).then_some((at, wanted))
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
        // The blank before a placeholder that is empty is also the one behind it.
        let mut empty = false;
        for (n, piece) in self.pieces.iter().enumerate() {
            let stop = (line.len() - rest.len(), n);
            match piece {
                Piece::Literal(text) => rest = rest.strip_prefix(text.as_str()).ok_or(stop)?,
                Piece::Blank => {
                    let after = rest.trim_ascii_start();
                    let next = self.pieces.get(n + 1);
                    let may_lack = matches!(next, Some(Piece::Field { optional: true, .. }));
                    let lacks = after.len() == rest.len();
                    if lacks && !std::mem::take(&mut empty) && !(rest.is_empty() && may_lack) {
                        return Err(stop);
                    }
                    rest = after;
                }
                Piece::Field { field, optional: true }
                    if self.is_empty(n, *field, rest, calendar) =>
                {
                    found.push((*field, ""));
                    empty = true;
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

    /// How many words stand in place of an `{any}`: up to the first place where what the form has behind it
    /// follows. None: that tells nothing, so it is one word.
    fn words(&self, n: usize, rest: &str, calendar: &Calendar) -> Option<usize> {
        let mut at = 0;
        loop {
            let end = at + rest.get(at..)?.bytes().position(is_blank)?;
            let blanks = rest.get(end..)?.bytes().position(|byte| !is_blank(byte))?;
            at = end + blanks;
            if self.follows(n, Field::Any, rest.get(at..)?, calendar) {
                return Some(end);
            }
        }
    }

    /// Whether the placeholder at place `n`, which may be empty, is: what the form has behind it stands at
    /// its place.
    fn is_empty(&self, n: usize, field: Field, rest: &str, calendar: &Calendar) -> bool {
        self.pieces.get(n + 1) == Some(&Piece::Blank) && self.follows(n, field, rest, calendar)
    }

    /// Whether the words begin here that the form has behind the placeholder at place `n` and a blank: all
    /// of them, to the next placeholder or the end of the line. Behind an `{any}`, or the date or time there.
    fn follows(&self, n: usize, field: Field, text: &str, calendar: &Calendar) -> bool {
        match self.pieces.get(n + 2) {
            Some(Piece::Literal(_)) => self.stands(n + 2, text),
            Some(Piece::Field { field: next @ (Field::Date | Field::Time), .. })
                if field == Field::Any =>
            {
                let end = text.bytes().position(is_blank).unwrap_or(text.len());
                text.get(..end).is_some_and(|word| next.admits(word, calendar))
            }
            _ => false,
        }
    }

    /// Whether a text begins with the words and blanks of the form from this place on.
    fn stands(&self, from: usize, text: &str) -> bool {
        let mut rest = text;
        for piece in self.pieces.iter().skip(from) {
            steps::take(1);
            match piece {
                Piece::Literal(word) => match rest.strip_prefix(word.as_str()) {
                    Some(after) => rest = after,
                    None => return false,
                },
                Piece::Blank => {
                    let after = rest.trim_ascii_start();
                    if after.len() == rest.len() && !rest.is_empty() {
                        return false;
                    }
                    rest = after;
                }
                Piece::Field { .. } => return true,
            }
        }
        rest.is_empty()
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
        let words = other.pieces.iter().filter_map(Piece::literal).map(str::to_owned);
        // What may hold several words may hold all that the other form has between two placeholders.
        let runs = other.runs().into_iter().map(|run| format!("op7 {run}"));
        let words: Vec<String> = words.chain(runs).collect();
        for (place, piece) in self.pieces.iter().enumerate() {
            let Piece::Field { field, .. } = piece else { continue };
            for word in words.iter().filter(|word| field.admits(word, calendar)) {
                samples.push(self.sample(
                    |n, field, _| {
                        if n == place { word.clone() } else { usual(field) }
                    },
                ));
            }
        }
        samples
    }

    /// The words between two placeholders, all of them together.
    fn runs(&self) -> Vec<String> {
        let is_field = |piece: &Piece| matches!(piece, Piece::Field { .. });
        let word = |piece: &Piece| piece.literal().unwrap_or(" ").to_owned();
        let runs = self.pieces.split(is_field).map(|run| run.iter().map(word).collect::<String>());
        runs.map(|run| run.trim().to_owned()).filter(|run| !run.is_empty()).collect()
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

    fn is_of(&self, these: [Field; 3]) -> bool {
        matches!(self, Piece::Field { field, .. } if these.contains(field))
    }

    /// A placeholder that is not of any text whatever.
    fn tells(&self) -> bool {
        let Piece::Field { field, .. } = self else { return false };
        !matches!(field, Field::Any | Field::Specimen | Field::Operator)
    }
}

/// Whether a line that begins so does not do so by chance.
fn is_word(text: &str) -> bool {
    text.chars().filter(|c| c.is_alphabetic()).count() > 1
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
