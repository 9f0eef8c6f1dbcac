//! Prints cases as the analyzer would: one good capture is the template, and each pad's texts go where
//! the dialect's own anatomy says that grade, value, unit and mark stand.

use std::ops::Range;

use wickline_listen::dialect::{Dialect, LinkKind};
use wickline_listen::ear::{Transmission, hear};

use super::signs::Sign;
use super::spot::{SECOND, Slot, slots};

/// What one pad's line should say. Empty: not printed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Words {
    pub label: String,
    pub grade: String,
    pub value: String,
    pub unit: String,
    /// The same value and unit in the other system, for a print that has a place for them.
    pub second: [String; 2],
    pub mark: String,
}

impl Words {
    /// The text for a part by its name in an anatomy.
    #[must_use]
    pub fn part(&self, kind: &str) -> &str {
        match kind {
            "label" => &self.label,
            "grade" | "unread" | "off" => &self.grade,
            "value" => &self.value,
            "unit" => &self.unit,
            "second value" => &self.second[0],
            "second unit" => &self.second[1],
            "mark" => &self.mark,
            _ => "",
        }
    }
}

/// The template, ready to print with.
#[derive(Clone)]
pub struct Press<'a> {
    dialect: &'a dyn Dialect,
    raw: Vec<u8>,
    template: Transmission,
    slots: Vec<Slot>,
    /// The bytes that the readings stand in.
    region: Range<usize>,
    ending: &'static str,
    /// What the print calls the strip, where it names one.
    strip: String,
}

impl<'a> Press<'a> {
    /// Takes the first report of a capture as the template.
    pub fn new(dialect: &'a dyn Dialect, capture: &[u8]) -> Result<Press<'a>, String> {
        let heard = hear(dialect, capture);
        let wanted = |t: &&Transmission| dialect.read(t).len() == 1;
        let template = heard.iter().find(wanted).ok_or("the capture holds no report by itself")?;
        let until = heard.iter().map(|t| t.place.from).find(|from| *from > template.place.from);
        let until = until.and_then(|n| usize::try_from(n).ok()).unwrap_or(capture.len());
        let from = if heard.first() == Some(template) { 0 } else { place(template.place.from) };
        let raw = capture.get(from..until).unwrap_or(capture).to_vec();
        let mut heard = hear(dialect, &raw);
        if heard.len() != 1 {
            return Err("its first report cannot be heard by itself".into());
        }
        let template = heard.remove(0);
        let framed = dialect.link() == LinkKind::Lis01;
        if framed && template.lines.iter().any(|l| l.bytes.first() == Some(&b'R')) {
            let (slots, region, strip) = (Vec::new(), 0..0, String::new());
            return Ok(Press { dialect, raw, template, slots, region, ending: "", strip });
        }
        let slots = slots(&dialect.anatomy(&template));
        let lines = slots.iter().flat_map(|s| s.pieces.iter().map(|p| p.line));
        let (Some(first), Some(last)) = (lines.clone().min(), lines.max()) else {
            return Err("the template has no reading that could be printed over".into());
        };
        let cut = |n: usize| template.lines.get(n).map(|l| l.place);
        let (Some(first), Some(last)) = (cut(first), cut(last)) else {
            return Err("the template's lines cannot be found".into());
        };
        let region = place(first.from)..place(last.to);
        let ending = if raw.windows(2).any(|w| w == b"\r\n") { "\r\n" } else { "\n" };
        Ok(Press { dialect, raw, template, slots, region, ending, strip: String::new() })
    }

    /// The same, for prints of this strip.
    #[must_use]
    pub fn with_strip(&self, strip: &str) -> Press<'a> {
        Press { strip: strip.to_owned(), ..self.clone() }
    }

    /// Labels as the template prints them.
    #[must_use]
    pub fn labels(&self) -> Vec<String> {
        self.slots.iter().map(Slot::label).collect()
    }

    /// A value stands in both unit systems in some of its lines.
    #[must_use]
    pub fn prints_twice(&self) -> bool {
        self.slots.iter().any(|slot| slot.has(SECOND[0]))
    }

    /// The lines that say these words, first way that the dialect's anatomy takes apart as meant.
    /// None: they do not fit.
    #[must_use]
    pub fn lines(&self, words: &Words) -> Option<Vec<String>> {
        if self.dialect.link() == LinkKind::Lis01 {
            return self.record(words).map(|r| vec![r]);
        }
        let mut donors: Vec<&Slot> = self.slots.iter().filter(|s| s.is_donor()).collect();
        let lacks = |slot: &&Slot| {
            let has = |kind| words.part(kind).is_empty() || slot.has(kind);
            ["grade", "value", "unit", "mark"].into_iter().filter(|k| !has(k)).count()
        };
        donors.sort_by_key(|slot| (lacks(slot), slot.surplus(words)));
        let can = |lines: &Vec<String>| lines.iter().all(|l| self.dialect.encode(l).is_some());
        let mut all = donors.into_iter().filter_map(|d| d.render(words)).filter(can);
        all.find(|lines| self.says(lines, words))
    }

    /// Whether these lines, printed alone, are taken apart as meant.
    fn says(&self, lines: &[String], words: &Words) -> bool {
        let bytes = self.print(&Sign::default(), lines);
        let heard = hear(self.dialect, &bytes);
        let [one] = heard.as_slice() else { return false };
        let found = slots(&self.dialect.anatomy(one));
        let [slot] = found.as_slice() else { return false };
        ["label", "value", "unit", "mark"].into_iter().all(|k| slot.text(k) == words.part(k))
            && ["grade", "unread"].iter().any(|k| slot.text(k) == words.grade)
            && SECOND.iter().all(|k| !slot.has(k) || slot.text(k) == words.part(k))
    }

    /// An R record (NCCLS LIS2-A2 clause 9) on the template's first one.
    fn record(&self, words: &Words) -> Option<String> {
        let lines = self.template.lines.iter().map(|l| &l.bytes);
        let record = lines.clone().find(|l| l.first() == Some(&b'R'))?;
        let header = lines.clone().find(|l| l.first() == Some(&b'H'))?;
        let component = char::from(*header.get(3)?);
        let field = char::from(*header.get(1)?);
        let text = String::from_utf8_lossy(record).into_owned();
        let mut fields: Vec<String> = text.split(field).map(str::to_owned).collect();
        if fields.len() < 7 {
            fields.resize(7, String::new());
        }
        let lead = fields[2].rfind(component).map_or("", |at| &fields[2][..=at]).to_owned();
        let value = [&words.grade, &words.value].into_iter().filter(|t| !t.is_empty());
        let value: Vec<&str> = value.map(String::as_str).collect();
        fields[2] = format!("{lead}{}", words.label);
        fields[3] = value.join(&component.to_string());
        fields[4].clone_from(&words.unit);
        fields[5].clear();
        fields[6].clone_from(&words.mark);
        Some(fields.join(&field.to_string()))
    }

    /// The bytes of a whole report with these lines of readings.
    #[must_use]
    pub fn print(&self, sign: &Sign, lines: &[String]) -> Vec<u8> {
        if self.dialect.link() == LinkKind::Lis01 {
            return frames(&self.records(sign, lines));
        }
        let mut edits: Vec<(Range<usize>, String)> = Vec::new();
        for line in self.dialect.anatomy(&self.template) {
            let Some(cut) = self.template.lines.get(line.line) else { continue };
            let text = line.text.expose();
            let Some(base) = self.found(&cut.bytes, place(cut.place.from), place(cut.place.to))
            else {
                continue;
            };
            for (range, kind) in &line.parts {
                let old = text.get(range.clone()).unwrap_or("");
                let new = match *kind {
                    "number" => numbered(sign, old),
                    "specimen" => sign.specimen.clone(),
                    "strip" => Some(&self.strip).filter(|s| !s.is_empty()).cloned(),
                    _ => None,
                };
                edits.extend(new.map(|new| (base + range.start..base + range.end, new)));
            }
        }
        let sign_line = Some(&sign.line).filter(|l| !l.is_empty());
        let lines = sign_line.into_iter().chain(lines).map(String::as_str);
        let mut block: String = lines.flat_map(|line| [line, self.ending]).collect();
        let ended = self
            .raw
            .get(..self.region.end)
            .is_some_and(|r| r.ends_with(b"\n") || r.ends_with(b"\r"));
        if !ended {
            block.truncate(block.len() - self.ending.len());
        }
        edits.push((self.region.clone(), block));
        edits.sort_by_key(|(range, _)| std::cmp::Reverse(range.start));
        let mut bytes = self.raw.clone();
        for (range, new) in edits {
            // What cannot be printed leaves its place empty, and the case differs.
            bytes.splice(range, self.dialect.encode(&new).unwrap_or_default());
        }
        bytes
    }

    /// Where a line's letters stand among the bytes that it was heard from.
    fn found(&self, letters: &[u8], from: usize, to: usize) -> Option<usize> {
        let bytes = self.raw.get(from..to)?;
        if letters.is_empty() || !letters.is_ascii() {
            return None;
        }
        bytes.windows(letters.len()).position(|w| w == letters).map(|at| from + at)
    }

    /// The template's records with these results.
    fn records(&self, sign: &Sign, lines: &[String]) -> Vec<String> {
        let mut records: Vec<String> = Vec::new();
        let mut results = 0;
        for cut in &self.template.lines {
            let text = String::from_utf8_lossy(&cut.bytes).into_owned();
            match text.chars().next() {
                Some('R') => {
                    if results == 0 {
                        for (n, line) in lines.iter().enumerate() {
                            let mut fields: Vec<&str> = line.split('|').collect();
                            let number = (n + 1).to_string();
                            if let Some(second) = fields.get_mut(1) {
                                *second = &number;
                            }
                            records.push(fields.join("|"));
                        }
                    }
                    results += 1;
                }
                Some('O') => records.push(order(sign, &self.strip, &text)),
                _ => records.push(text),
            }
        }
        records
    }
}

/// The number under a sign.
fn numbered(sign: &Sign, old: &str) -> Option<String> {
    if !sign.digit.is_empty() {
        return old.get(1..).map(|rest| format!("{}{rest}", sign.digit));
    }
    (!sign.mark.is_empty()).then(|| format!("{}{old}", sign.mark))
}

/// An O record under a sign: O-3 specimen, O-4 number, O-5 strip, O-6 priority, O-12 action.
fn order(sign: &Sign, strip: &str, text: &str) -> String {
    let mut fields: Vec<String> = text.split('|').map(str::to_owned).collect();
    if fields.len() < 12 {
        fields.resize(12, String::new());
    }
    if let Some(specimen) = &sign.specimen {
        fields[2].clone_from(specimen);
    }
    if let Some(number) = numbered(sign, &fields[3]) {
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

/// Frames a message as LIS01-A2 has it: one record a frame, numbered 1 to 7 and 0, sums modulo 256.
fn frames(records: &[String]) -> Vec<u8> {
    let mut bytes = vec![0x05];
    for (n, record) in records.iter().enumerate() {
        let body = format!("{}{record}\r\u{3}", (n + 1) % 8);
        let sum = body.bytes().fold(0_u8, u8::wrapping_add);
        bytes.push(0x02);
        bytes.extend_from_slice(body.as_bytes());
        bytes.extend_from_slice(format!("{sum:02X}\r\n").as_bytes());
    }
    bytes.push(0x04);
    bytes
}

fn place(offset: u64) -> usize {
    usize::try_from(offset).unwrap_or(usize::MAX)
}

/// The captures that the built-in dialects print from.
#[must_use]
pub fn shipped(dialect: &str) -> Option<&'static [u8]> {
    Some(match dialect {
        "lis02" => include_bytes!("../../../../fixtures/listen/lis02/normal.cap"),
        "two-column" => include_bytes!("../../../../fixtures/listen/two-column/complete.cap"),
        "three-field" => include_bytes!("../../../../fixtures/listen/three-field/abnormal.cap"),
        "wide-label" => include_bytes!("../../../../fixtures/listen/wide-label/abnormal.cap"),
        "ticket" => include_bytes!("../../../../fixtures/listen/ticket/abnormal.cap"),
        _ => return None,
    })
}
