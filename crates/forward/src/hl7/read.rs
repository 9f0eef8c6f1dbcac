//! Reads any HL7 v2 message, hostile or sloppy: bounded, and with the delimiters that it declares.
//!
//! Bounds: 1 MiB a message and 4,096 segments; beyond that it is no message. Segments end with CR, LF or
//! both. Bytes are UTF-8 where they are valid, unless MSH-18 names a page of ISO 8859, and else Latin-1.

/// The longest message that is read.
pub const MESSAGE_MAX: usize = 1 << 20;
/// The most segments that are looked at.
pub const SEGMENTS_MAX: usize = 4096;

/// The characters that a message declares in MSH-1 and MSH-2.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Delimiters {
    field: char,
    component: char,
    repetition: Option<char>,
    escape: Option<char>,
    subcomponent: Option<char>,
}

/// A message, cut into segments; fields are cut when asked for.
#[derive(Clone, Debug)]
pub struct Message {
    text: String,
    delimiters: Delimiters,
}

impl Message {
    /// Reads a message. The error says what was wrong and quotes nothing.
    ///
    /// A message begins with MSH and declares its separators there; everything behind that may be
    /// missing.
    pub fn read(bytes: &[u8]) -> Result<Message, String> {
        if bytes.len() > MESSAGE_MAX {
            return Err(format!(
                "a message of {} bytes; at most {MESSAGE_MAX} are read",
                bytes.len()
            ));
        }
        let text = decode(without_lead(bytes));
        let delimiters = delimiters(&text)?;
        let message = Message { text, delimiters };
        if message.lines().nth(SEGMENTS_MAX).is_some() {
            return Err(format!("more than {SEGMENTS_MAX} segments"));
        }
        Ok(message)
    }

    /// Segment names in order.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.lines().map(|line| line.get(..3).unwrap_or(line))
    }

    /// How many segments have this name.
    ///
    /// 0 where there is none.
    #[must_use]
    pub fn count(&self, segment: &str) -> usize {
        self.named(segment).count()
    }

    /// Every segment in order, cut into its fields as written: its name first, so that of all but MSH the n-th is
    /// field n.
    pub fn segments(&self) -> impl Iterator<Item = Vec<&str>> {
        self.lines().map(|line| line.split(self.delimiters.field).collect())
    }

    /// A whole field as written, repetitions and escapes and all: `field("OBX", 2, 5)` is OBX-5 of
    /// the second OBX. None where there is none; empty fields are `Some("")`.
    #[must_use]
    pub fn field<'a>(&'a self, segment: &'a str, nth: usize, field: usize) -> Option<&'a str> {
        let line = self.named(segment).nth(nth.checked_sub(1)?)?;
        let separator = self.delimiters.field;
        match (segment, field) {
            ("MSH", 0) => None,
            // MSH-1 is the separator itself, so that counting is one behind.
            ("MSH", 1) => line.get(3..3 + separator.len_utf8()),
            ("MSH", n) => line.split(separator).nth(n - 1),
            (_, n) => line.split(separator).nth(n),
        }
    }

    /// The repetitions of a field, as written.
    ///
    /// At least one, which may be empty.
    pub fn repetitions<'a>(&'a self, field: &'a str) -> impl Iterator<Item = &'a str> {
        let sign = self.delimiters.repetition;
        field.split(move |c| Some(c) == sign)
    }

    /// The components of a field or repetition, as written.
    ///
    /// At least one, which may be empty.
    pub fn components<'a>(&'a self, field: &'a str) -> impl Iterator<Item = &'a str> {
        field.split(self.delimiters.component)
    }

    /// The subcomponents of a component, as written.
    pub fn subcomponents<'a>(&'a self, component: &'a str) -> impl Iterator<Item = &'a str> {
        let sign = self.delimiters.subcomponent;
        component.split(move |c| Some(c) == sign)
    }

    /// One component's text, of the first repetition; empty where there is none.
    ///
    /// `nth` counts segments of this name from 1, fields and components count as the standard does.
    /// Escapes are resolved.
    #[must_use]
    pub fn component(&self, segment: &str, nth: usize, field: usize, component: usize) -> String {
        let Some(field) = self.field(segment, nth, field) else { return String::new() };
        let first = self.repetitions(field).next().unwrap_or("");
        let part = component.checked_sub(1).and_then(|n| self.components(first).nth(n));
        self.unescape(part.unwrap_or(""))
    }

    /// Text with its escape sequences resolved in one pass; unknown ones stay as written.
    #[must_use]
    pub fn unescape(&self, text: &str) -> String {
        let Some(sign) = self.delimiters.escape else { return text.to_owned() };
        let mut plain = String::with_capacity(text.len());
        let mut rest = text;
        while let Some((before, after)) = rest.split_once(sign) {
            plain.push_str(before);
            let known = after
                .split_once(sign)
                .and_then(|(code, next)| self.resolve(code, &mut plain).then_some(next));
            rest = known.unwrap_or_else(|| {
                plain.push(sign);
                after
            });
        }
        plain.push_str(rest);
        plain
    }

    /// Adds what one escape sequence stands for; false when it is not known.
    fn resolve(&self, code: &str, plain: &mut String) -> bool {
        let own = &self.delimiters;
        let sign = match code {
            "F" => Some(own.field),
            "S" => Some(own.component),
            "R" => own.repetition,
            "T" => own.subcomponent,
            "E" => own.escape,
            ".br" | ".sp" => Some('\n'),
            // Highlighting on and off: nothing to show.
            "H" | "N" => return true,
            _ => {
                let bytes = code.strip_prefix('X').and_then(hex);
                return bytes.is_some_and(|bytes| {
                    plain.push_str(&utf8_or_latin1(&bytes));
                    true
                });
            }
        };
        plain.extend(sign);
        sign.is_some()
    }

    /// Every segment, as written.
    pub(super) fn lines(&self) -> impl Iterator<Item = &str> {
        self.text.split(['\r', '\n']).filter(|line| !line.is_empty())
    }

    /// The segments of a name, as written.
    pub(super) fn named<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        let separator = self.delimiters.field;
        self.lines().filter(move |line| {
            line.strip_prefix(name)
                .is_some_and(|rest| rest.is_empty() || rest.starts_with(separator))
        })
    }
}

fn delimiters(text: &str) -> Result<Delimiters, String> {
    let rest = text.strip_prefix("MSH").ok_or("it does not begin with MSH")?;
    let field = rest
        .chars()
        .next()
        .filter(char::is_ascii_punctuation)
        .ok_or("MSH-1 is no separator: a punctuation mark is needed")?;
    let declared = rest[field.len_utf8()..].split([field, '\r', '\n']).next().unwrap_or("");
    let mut signs = declared.chars();
    // Each has its place: one that is no sign declares nothing and leaves the others where they are.
    let mut next = || signs.next().filter(char::is_ascii_punctuation);
    Ok(Delimiters {
        field,
        component: next().ok_or("MSH-2 declares no component separator")?,
        repetition: next(),
        escape: next(),
        subcomponent: next(),
    })
}

/// Some senders put a byte order mark, spaces or line ends before the message.
fn without_lead(mut bytes: &[u8]) -> &[u8] {
    while let [b' ' | b'\r' | b'\n', rest @ ..] | [0xEF, 0xBB, 0xBF, rest @ ..] = bytes {
        bytes = rest;
    }
    bytes
}

/// MSH-18 is believed when it names 8859; otherwise UTF-8 if the bytes are, else Latin-1, which
/// takes any byte.
fn decode(bytes: &[u8]) -> String {
    let head = bytes.split(|b| matches!(b, b'\r' | b'\n')).next();
    let separator = head.and_then(|line| line.get(3)).copied().unwrap_or(b'|');
    let declared = head.and_then(|line| line.split(|b| *b == separator).nth(17));
    if declared.is_some_and(|set| set.starts_with(b"8859/1")) {
        return latin1(bytes);
    }
    utf8_or_latin1(bytes)
}

fn utf8_or_latin1(bytes: &[u8]) -> String {
    std::str::from_utf8(bytes).map_or_else(|_| latin1(bytes), str::to_owned)
}

fn latin1(bytes: &[u8]) -> String {
    bytes.iter().copied().map(char::from).collect()
}

fn hex(digits: &str) -> Option<Vec<u8>> {
    // Said here, since `from_str_radix` would take a sign.
    let all = digits.bytes().all(|b| b.is_ascii_hexdigit());
    if digits.is_empty() || !digits.len().is_multiple_of(2) || !all {
        return None;
    }
    let pair = |n| digits.get(n..n + 2).and_then(|two| u8::from_str_radix(two, 16).ok());
    (0..digits.len()).step_by(2).map(pair).collect()
}

#[cfg(test)]
mod tests;
