//! From the bytes of captures to lines of text: what the line brings beside text, and what letters its bytes are.
//!
//! Nothing is cut or decoded here a second time: each guess is written down as a part of a dialect, and the program's
//! own reader says what it makes of the capture.

use wickline_listen::dialect;
use wickline_listen::ear::hear;
use wickline_normalize::units;

use super::Capture;
use super::words;
use super::write::{Page, few, list, text};

/// One line as it stands on the paper.
#[derive(Clone, Debug)]
pub struct Line {
    pub capture: usize,
    /// Lines between two blank lines, or a control character, are one group.
    pub group: usize,
    pub text: String,
}

/// What the bytes say before any line is read.
#[derive(Clone, Debug, Default)]
pub struct Wire {
    pub flow: bool,
    pub seven: bool,
    pub overprint: bool,
    pub ecma: bool,
    /// Commands seen: lead, letter, how many bytes follow.
    pub commands: Vec<(&'static str, char, u8)>,
    pub begin: Vec<&'static str>,
    pub end: Vec<&'static str>,
    pub encoding: &'static str,
    pub rivals: Vec<&'static str>,
}

/// The byte that begins a command, its name, and its letters by how many bytes follow them.
type Lead = (u8, &'static str, &'static [(u8, &'static str)]);

/// How many bytes follow a printer's command, by its lead. Common practice of ticket printers, from memory.
const OPERANDS: &[Lead] = &[
    (0x1b, "ESC", &[(0, "@i2m<="), (1, "!EGJdaM3-tRV{r")]),
    (0x1d, "GS", &[(1, "!BVhwHfx")]),
    (0x1c, "FS", &[(0, ".&"), (1, "!-")]),
];
const ENCODINGS: &[&str] = &["latin-1", "windows-1252", "cp850", "cp437"];

impl Wire {
    /// Looks at the bytes of all captures.
    pub fn of(captures: &[Capture<'_>]) -> Self {
        let mut wire = Self { encoding: "utf-8", ..Self::default() };
        let all = || captures.iter().flat_map(|capture| capture.bytes.iter().copied());
        let total = all().count().max(1);
        wire.seven = all().filter(|b| *b > 0x9f).count() * 4 > total;
        wire.flow = all().any(|b| matches!(b, 0x11 | 0x13));
        let mut alone = [0_usize; 32];
        for capture in captures {
            wire.scan(capture.bytes, &mut alone);
        }
        let seen = |code: usize| alone.get(code).is_some_and(|n| *n > 0);
        if seen(2) {
            wire.begin.push("STX");
        }
        wire.end.extend(
            [(3, "ETX"), (4, "EOT"), (12, "FF")].iter().filter(|(c, _)| seen(*c)).map(|(_, n)| *n),
        );
        wire.encode(captures);
        wire
    }

    fn scan(&mut self, bytes: &[u8], alone: &mut [usize; 32]) {
        let mut rest = bytes;
        let returns = bytes.contains(&b'\n');
        while let Some((first, after)) = rest.split_first() {
            rest = after;
            if let Some((_, lead, known)) = OPERANDS.iter().find(|(lead, ..)| lead == first)
                && let Some(letter) = after.first().copied()
            {
                if *first == 0x1b && letter == b'[' {
                    self.ecma = true;
                    continue;
                }
                let rows = known.iter().find(|(_, letters)| letters.as_bytes().contains(&letter));
                let Some((count, _)) = rows else { continue };
                let command = (*lead, char::from(letter), *count);
                if !self.commands.contains(&command) {
                    self.commands.push(command);
                }
                rest = after.get(1 + usize::from(*count)..).unwrap_or_default();
                continue;
            }
            if let Some(count) = alone.get_mut(usize::from(*first)) {
                *count += 1;
            }
            let lone =
                *first == b'\r' && returns && !matches!(after.first(), Some(b'\n' | b'\r') | None);
            self.overprint |= lone;
        }
    }

    /// The code page in which most words are known; `rivals` would show the same letters.
    fn encode(&mut self, captures: &[Capture<'_>]) {
        if captures.iter().all(|capture| str::from_utf8(capture.bytes).is_ok()) || self.seven {
            return;
        }
        let mut scores = Vec::new();
        for encoding in ENCODINGS {
            self.encoding = encoding;
            scores.push((score(&self.lines(captures)), *encoding));
        }
        let best = scores.iter().map(|(score, _)| *score).max().unwrap_or(0);
        let mut equal = scores.iter().filter(|(score, _)| *score == best).map(|(_, name)| *name);
        self.encoding = equal.next().unwrap_or("latin-1");
        self.rivals = equal.collect();
    }

    /// `[line]` of the dialect, with its questions.
    pub fn write(&self, page: &mut Page) {
        page.line("\n[line]");
        if self.seven {
            page.ask("more than a quarter of the bytes has the eighth bit: is it parity, on a line of seven bits?");
            page.line("bits = 7");
        }
        if self.flow {
            page.ask("XON or XOFF (DC1, DC3) came within the text: are they flow control?");
        }
        page.line(format!("flow = {}", if self.flow { "\"xon-xoff\"" } else { "\"none\"" }));
        if self.overprint {
            page.ask("CR came without LF: does the printer go back and print over the line, or begin a new one?");
            page.line("lone_cr = \"overprint\"");
        }
        if self.ecma {
            page.ask("ESC [ came: is it a printer of ECMA-48?");
            page.line("printer = \"ecma-48\"");
        } else if !self.commands.is_empty() {
            page.ask("are these the commands of this printer, and is that how many bytes follow each? From common");
            page.ask("practice: its manual decides, because a byte too few or too many is read as a letter");
            page.line("printer = \"esc\"\n\n[line.commands]");
            for lead in ["ESC", "GS", "FS"] {
                let own = self.commands.iter().filter(|(l, ..)| *l == lead);
                let pairs: Vec<_> =
                    own.map(|(_, c, n)| format!("{} = {n}", text(&c.to_string()))).collect();
                if !pairs.is_empty() {
                    page.line(format!("{lead} = {{ {} }}", pairs.join(", ")));
                }
            }
        }
    }

    /// The control characters around a report.
    pub fn write_edges(&self, page: &mut Page, must_end: bool) {
        if self.begin.is_empty() && self.end.is_empty() {
            return;
        }
        page.ask("do these control characters stand around each report?");
        page.line(format!("begin_bytes = {}\nend_bytes = {}", list(&self.begin), list(&self.end)));
        if must_end {
            page.line("must_end = true");
        }
    }

    /// The lines of all captures, by the program's own reader with what is known so far.
    pub fn lines(&self, captures: &[Capture<'_>]) -> Vec<Line> {
        let mut page = Page::default();
        page.line(format!("name = \"sketch\"\nencoding = {}", text(self.encoding)));
        page.line("[dates]\norder = \"ymd\"");
        self.write(&mut page);
        page.line("[report]\nsilence_ms = 3000\nblank_lines = 1");
        page.line(format!("begin_bytes = {}\nend_bytes = {}", list(&self.begin), list(&self.end)));
        page.line(
            "[header]\nlines = []\n[results]\nsplit = \"blanks\"\ncells = [\"label\", \"result\"]",
        );
        let Ok(dialect) = dialect::parse(&page.finish(), "sketch") else { return Vec::new() };
        let mut lines = Vec::new();
        let mut group = 0;
        for (capture, one) in captures.iter().enumerate() {
            for transmission in hear(dialect.as_ref(), one.bytes) {
                group += 1;
                for report in dialect.read(&transmission) {
                    let texts = report.lines.iter().map(|line| line.text.expose().to_owned());
                    lines.extend(texts.map(|text| Line { capture, group, text }));
                }
            }
        }
        lines.retain(|line| !line.text.trim().is_empty());
        lines
    }

    pub fn ask_encoding(&self, page: &mut Page, lines: &[Line]) {
        let strange: Vec<&str> =
            lines.iter().map(|l| l.text.trim()).filter(|t| !t.is_ascii()).take(3).collect();
        if !strange.is_empty() {
            let rivals = if self.rivals.is_empty() {
                String::new()
            } else {
                format!("; {} would show the same", self.rivals.join(" and "))
            };
            page.ask(format!("are the letters right in {}{rivals}?", few(&strange)));
        }
    }
}

/// Letters and signs above 7F that prints of six languages have.
const USUAL: &str = "àáâãäçèéêëìíîïñòóôõöùúûüßÀÁÂÃÄÇÈÉÊÍÑÓÔÕÖÚÜµμ°º±≥≤";

/// How far the letters above 7F make words.
fn score(lines: &[Line]) -> i64 {
    let words =
        lines.iter().flat_map(|line| line.text.split_whitespace()).filter(|word| !word.is_ascii());
    words.map(|word| worth(word.trim_end_matches(':'))).sum()
}

fn worth(word: &str) -> i64 {
    let spelled = || units::KNOWN.iter().any(|unit| unit.is_spelled(&units::fold(word)));
    let known = words::pad(word).is_some()
        || words::is_grade(word)
        || words::key(word).is_some()
        || spelled();
    let strange = word.chars().filter(|c| !c.is_ascii() && !USUAL.contains(*c)).count();
    i64::from(known) * 10 + i64::from(strange == 0) - 5 * i64::try_from(strange).unwrap_or(1)
}
