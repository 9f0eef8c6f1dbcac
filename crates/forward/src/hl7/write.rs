//! Writes segments into one buffer: separators only where something follows, text escaped in one pass.
//!
//! Every value passes one of three doors: an id (control characters refuse it), words (they become blanks) or formatted
//! text (a line break has its own sign). Separators within a value are escaped; what does not fit its field is refused.

use std::fmt;

use super::layout::LayoutFault;
use super::version::Charset;
use crate::orders::Given;

/// Why a message cannot be built: nothing is ever cut, replaced or left out to make it fit.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("cannot encode {field}: found {found}; allowed: {allowed}")]
pub struct EncodeFault {
    /// The field, as `OBX-5`.
    pub field: &'static str,
    /// What was found; of text that may identify a patient only its shape.
    pub found: String,
    /// What is allowed, or what to do.
    pub allowed: String,
}

impl EncodeFault {
    pub(crate) fn new(
        field: &'static str,
        found: impl Into<String>,
        allowed: impl Into<String>,
    ) -> Self {
        Self { field, found: found.into(), allowed: allowed.into() }
    }

    /// The first of what is wrong with a layout: a receiver with such a one is refused at the start.
    pub(crate) fn of_layout(faults: &[LayoutFault]) -> Self {
        let first = faults.first();
        let text = |of: fn(&LayoutFault) -> &String| first.map(of).cloned().unwrap_or_default();
        let field = first.map_or("MSH", |fault| fault.field);
        Self { field, found: text(|f| &f.found), allowed: text(|f| &f.allowed) }
    }
}

/// One field as the rules see it.
#[derive(Clone, Copy)]
pub(crate) struct Field {
    pub name: &'static str,
    /// The most characters.
    pub most: usize,
    /// Whether a fault may quote the value.
    pub private: bool,
}

impl Field {
    pub(crate) const fn new(name: &'static str, most: usize) -> Self {
        Self { name, most, private: false }
    }

    pub(crate) const fn private(name: &'static str, most: usize) -> Self {
        Self { name, most, private: true }
    }

    fn fault(self, value: &str, what: fmt::Arguments<'_>, allowed: String) -> EncodeFault {
        let found = if self.private {
            format!("{what} in a value of {} characters", value.chars().count())
        } else {
            let shown: String = value.chars().take(80).flat_map(char::escape_debug).collect();
            format!("{what} in `{shown}`")
        };
        EncodeFault { field: self.name, found, allowed }
    }
}

/// What becomes of a control character, which may never travel raw.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Controls {
    /// An id with one is no id.
    Refuse,
    /// In a text it was only layout.
    Space,
    /// Formatted text (FT) has its own sign for a new line.
    Formatted,
}

/// The growing message.
pub(crate) struct Writer {
    out: Vec<u8>,
    charset: Charset,
    wide: bool,
    /// Separators owed, written only when something follows them.
    bars: usize,
    carets: usize,
}

impl Writer {
    pub(crate) fn new(charset: Charset, capacity: usize) -> Self {
        Self { out: Vec::with_capacity(capacity), charset, wide: false, bars: 0, carets: 0 }
    }

    /// Ends the segment before and begins the next.
    pub(crate) fn segment(&mut self, name: &str) {
        self.end();
        self.out.extend_from_slice(name.as_bytes());
    }

    /// Ends the last segment.
    pub(crate) fn end(&mut self) {
        if !self.out.is_empty() {
            self.out.push(b'\r');
        }
        (self.bars, self.carets) = (0, 0);
    }

    /// Goes `n` fields on.
    pub(crate) fn fields(&mut self, n: usize) {
        self.bars += n;
        self.carets = 0;
    }

    /// Goes to the next component.
    pub(crate) fn component(&mut self) {
        self.carets += 1;
    }

    /// Goes `n` fields on and writes text known to need no escape.
    ///
    /// Only for constants and for what was checked with the layout.
    pub(crate) fn fixed(&mut self, n: usize, text: &str) {
        self.fields(n);
        self.plain(text);
    }

    /// Goes to the next field and writes a count.
    pub(crate) fn count(&mut self, count: usize) {
        self.fields(1);
        self.owed();
        let (mut digits, mut at, mut rest) = ([0; 20], 20, count);
        loop {
            at -= 1;
            digits[at] = b'0' + u8::try_from(rest % 10).unwrap_or(0);
            rest /= 10;
            if rest == 0 {
                break;
            }
        }
        self.out.extend_from_slice(&digits[at..]);
    }

    /// Writes bytes known to need no escape, or already escaped.
    pub(crate) fn plain(&mut self, text: &str) {
        if !text.is_empty() {
            self.owed();
            self.out.extend_from_slice(text.as_bytes());
        }
    }

    /// An identifier: control characters are refused.
    pub(crate) fn id(&mut self, field: Field, value: &str) -> Result<(), EncodeFault> {
        self.text(field, value, Controls::Refuse)
    }

    /// Words for people in a string field: control characters become spaces.
    pub(crate) fn words(&mut self, field: Field, value: &str) -> Result<(), EncodeFault> {
        self.text(field, value, Controls::Space)
    }

    /// Formatted text: a new line becomes `\.br\`, other control characters spaces.
    pub(crate) fn formatted(&mut self, field: Field, value: &str) -> Result<(), EncodeFault> {
        self.text(field, value, Controls::Formatted)
    }

    /// Text that was written before, escapes and all.
    pub(crate) fn written(&mut self, field: Field, text: &str) -> Result<(), EncodeFault> {
        if text.is_empty() {
            return Ok(());
        }
        self.owed();
        for c in text.chars() {
            match u8::try_from(c) {
                Ok(byte @ 0x20..0x7F) => self.out.push(byte),
                _ => self.wide(field, text, c)?,
            }
        }
        Ok(())
    }

    /// A field as an order brought it, in our own separators: each repetition is as long as the field allows, an
    /// escape counts as the sign that it stands for. What would erase is not said.
    pub(crate) fn given(&mut self, field: Field, given: &Given) -> Result<(), EncodeFault> {
        if !given.is_said() {
            return Ok(());
        }
        let text = given.text();
        if text.contains(|c: char| c.is_control() || c == '|') {
            let what = format_args!("a sign that ends a field");
            return Err(field.fault(text, what, "a field as it was read".into()));
        }
        let longest = text.split('~').map(length).max().unwrap_or(0);
        if longest > field.most {
            return Err(field.fault(
                text,
                format_args!("{longest} characters"),
                format!("at most {} characters; nothing is cut", field.most),
            ));
        }
        self.written(field, text)
    }

    /// What was written apart, as text.
    pub(crate) fn into_text(self) -> String {
        match self.charset {
            Charset::Latin1 => self.out.into_iter().map(char::from).collect(),
            Charset::Utf8 | Charset::Ascii => String::from_utf8(self.out).unwrap_or_default(),
        }
    }

    /// Escaped fields written apart, to be repeated with [`Writer::append`].
    pub(crate) fn apart(&self) -> Writer {
        Writer::new(self.charset, 128)
    }

    /// Writes whole fields that were written apart.
    pub(crate) fn append(&mut self, piece: &Writer) {
        if piece.out.is_empty() {
            return;
        }
        self.carets = 0;
        self.owed();
        self.out.extend_from_slice(&piece.out);
        self.wide |= piece.wide;
    }

    /// Where the next byte goes.
    pub(crate) fn position(&self) -> usize {
        self.out.len()
    }

    /// The message, with the character set announced if a byte needed it: `bars` fields on from `at`.
    ///
    /// MSH-18 stays empty where every byte is ASCII.
    pub(crate) fn finish(mut self, (at, bars): (usize, usize)) -> Vec<u8> {
        self.end();
        if self.wide {
            let announced = format!("{}{}", "|".repeat(bars), self.charset.text());
            self.out.splice(at..at, announced.bytes());
        }
        self.out
    }

    fn owed(&mut self) {
        for _ in 0..self.bars {
            self.out.push(b'|');
        }
        for _ in 0..self.carets {
            self.out.push(b'^');
        }
        (self.bars, self.carets) = (0, 0);
    }

    fn text(&mut self, field: Field, value: &str, controls: Controls) -> Result<(), EncodeFault> {
        if value.is_empty() {
            return Ok(());
        }
        // Bytes are never fewer than characters: counting is left for the rare long value.
        if value.len() > field.most && value.chars().count() > field.most {
            let count = value.chars().count();
            return Err(field.fault(
                value,
                format_args!("{count} characters"),
                format!("at most {} characters; nothing is cut", field.most),
            ));
        }
        if value == "\"\"" {
            return Err(field.fault(
                value,
                format_args!("two quotes, which tell a receiver to delete"),
                "any other text, or none".into(),
            ));
        }
        self.owed();
        // Most values are plain. Looking at all of each is quicker than looking for the first byte.
        if !value.bytes().fold(false, |any, b| any | is_special(b)) {
            self.out.extend_from_slice(value.as_bytes());
            return Ok(());
        }
        let mut rest = value;
        while let Some(at) = rest.bytes().position(is_special) {
            let (run, tail) = rest.split_at(at);
            self.out.extend_from_slice(run.as_bytes());
            let Some(c) = tail.chars().next() else { break };
            self.special(field, value, c, controls)?;
            rest = &tail[c.len_utf8()..];
        }
        self.out.extend_from_slice(rest.as_bytes());
        Ok(())
    }

    /// One character that cannot go out as its own byte without thought.
    fn special(
        &mut self,
        field: Field,
        value: &str,
        c: char,
        controls: Controls,
    ) -> Result<(), EncodeFault> {
        let escape: &[u8] = match c {
            '|' => b"\\F\\",
            '^' => b"\\S\\",
            '&' => b"\\T\\",
            '~' => b"\\R\\",
            '\\' => b"\\E\\",
            '\n' if controls == Controls::Formatted => b"\\.br\\",
            c if !c.is_control() => return self.wide(field, value, c),
            _ if controls != Controls::Refuse => b" ",
            c => {
                return Err(field.fault(
                    value,
                    format_args!("the control character U+{:04X}", u32::from(c)),
                    "printable characters only".into(),
                ));
            }
        };
        self.out.extend_from_slice(escape);
        Ok(())
    }

    fn wide(&mut self, field: Field, value: &str, c: char) -> Result<(), EncodeFault> {
        self.wide = true;
        match self.charset {
            Charset::Utf8 => {
                self.out.extend_from_slice(c.encode_utf8(&mut [0; 4]).as_bytes());
                return Ok(());
            }
            Charset::Latin1 => {
                if let Ok(byte) = u8::try_from(u32::from(c)) {
                    self.out.push(byte);
                    return Ok(());
                }
            }
            Charset::Ascii => {}
        }
        let shown = if field.private { '?' } else { c };
        let code = u32::from(c);
        let found = if field.private {
            "a character".to_owned()
        } else {
            format!("the character `{shown}` (U+{code:04X})")
        };
        Err(field.fault(
            value,
            format_args!("{found} that {} does not have", self.charset.text()),
            "a receiver `charset` that has it, by agreement with the receiver; it is not replaced"
                .into(),
        ))
    }
}

/// Characters of an escaped text: between two escape signs stands one.
fn length(text: &str) -> usize {
    let parts = text.split('\\').enumerate();
    parts.map(|(n, part)| if n % 2 == 0 { part.chars().count() } else { 1 }).sum()
}

/// Whether a byte ends a run which can be copied as it is.
fn is_special(byte: u8) -> bool {
    !(0x20..0x7F).contains(&byte) | matches!(byte, b'|' | b'^' | b'&' | b'~' | b'\\')
}
