//! Prints cases as the analyzer would: one good capture is the template, and each pad's texts go where
//! the dialect's own anatomy says that grade, value, unit and mark stand.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use wickline_listen::dialect::{Dialect, LineAnatomy, LinkKind};
use wickline_listen::ear::{Ending, Transmission, hear};
use wickline_normalize::{Place, Private, Report};

use super::grid::Grid;
use super::sheet::Habits;
use super::signs::{self, Sign, order};
use super::spot::{Row, SECOND, Slot, rows, slots, unnamed};

/// Ways of other reports to write a reading, at most: each is tried for every text that the template has no room for.
const MOST_LEARNED: usize = 40;

/// What one pad's line should say. Empty: not printed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Words {
    pub label: String,
    pub grade: String,
    pub value: String,
    pub unit: String,
    /// A word of an end of a ladder that stands behind the unit, and in it: it is the number's.
    pub behind: String,
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

    /// What this part of a print should be taken for: a word behind the unit belongs to the number.
    fn meant(&self, kind: &str) -> String {
        let part = self.part(kind);
        match kind {
            _ if self.behind.is_empty() => part.to_owned(),
            "value" => format!("{part} {}", self.behind),
            "unit" => part.strip_suffix(&self.behind).unwrap_or(part).trim_end().to_owned(),
            _ => part.to_owned(),
        }
    }
}

/// A line of a reading, as the analyzer prints it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// What the reading says.
    pub words: Words,
    pub text: String,
}

/// What a print says of itself in numbers.
#[derive(Clone, Copy)]
struct Counts {
    readings: usize,
    marked: usize,
}

/// The template, ready to print with.
#[derive(Clone)]
pub struct Press<'a> {
    dialect: &'a dyn Dialect,
    raw: Vec<u8>,
    template: Transmission,
    slots: Vec<Slot>,
    /// Readings of other reports that stand as none of the template does.
    learned: Vec<Slot>,
    /// How readings of each label stand in what was heard, in words.
    kinds: BTreeMap<String, BTreeSet<String>>,
    /// The lines that readings stand in.
    lines: BTreeSet<usize>,
    ending: &'static str,
    /// Every line has so many bytes; 0: it has an end.
    length: usize,
    /// The print says how many readings it has, or how many of them are marked.
    counts: bool,
    /// Lines that hold readings among other things.
    rows: Vec<Row>,
    /// The labels of readings that have none.
    order: Vec<String>,
    /// None: each reading has lines of its own.
    grid: Option<Grid>,
    /// What the print calls the strip, where it names one.
    strip: String,
    /// What may stand behind a number, the longest first.
    suffixes: Vec<String>,
    /// What leads from a label to its result.
    leader: Option<char>,
    /// Lines of the head that are the same in each report.
    fixed: Vec<String>,
}

impl<'a> Press<'a> {
    /// Takes the first report of a capture as the template.
    pub fn new(
        dialect: &'a dyn Dialect,
        habits: &Habits,
        capture: &[u8],
    ) -> Result<Press<'a>, String> {
        let framed = dialect.link() == LinkKind::Lis01;
        let heard = hear(dialect, capture);
        let wanted = |t: &&Transmission| match dialect.read(t).len() {
            0 => false,
            reports => reports == 1 || !framed,
        };
        let template = heard.iter().find(wanted).ok_or("the capture holds no report by itself")?;
        let until = heard.iter().map(|t| t.place.from).find(|from| *from > template.place.from);
        let until = until.and_then(|n| usize::try_from(n).ok()).unwrap_or(capture.len());
        let from = if heard.first() == Some(template) { 0 } else { place(template.place.from) };
        let mut raw = capture.get(from..until).unwrap_or(capture).to_vec();
        let mut heard = hear(dialect, &raw);
        if let [page] = heard.as_slice()
            && let [report, _, ..] = dialect.read(page).as_slice()
        {
            raw = alone(&raw, page, report);
            heard = hear(dialect, &raw);
        }
        if heard.len() != 1 {
            return Err("its first report cannot be heard by itself".into());
        }
        let template = heard.remove(0);
        let mut press = Press { dialect, raw, template, ..Press::blank(dialect) };
        if framed && press.template.lines.iter().any(|l| l.bytes.first() == Some(&b'R')) {
            return Ok(press);
        }
        let anatomy = press.apart(&press.template);
        let counts = |kind: &str| ["count", "marked"].contains(&kind);
        press.counts = anatomy.iter().any(|line| line.parts.iter().any(|(_, k)| counts(k)));
        press.order.clone_from(&habits.order);
        press.leader = habits.leader;
        press.fixed.clone_from(&habits.fixed);
        press.suffixes = habits.suffixes.iter().map(|(sign, _)| sign.clone()).collect();
        press.suffixes.sort_by_key(|sign| std::cmp::Reverse(sign.len()));
        press.slots = press.slots_of(&anatomy);
        let mixed = habits.records || press.is_in_order();
        press.rows = if mixed { rows(&anatomy, !press.is_in_order()) } else { Vec::new() };
        if press.is_in_order() && press.slots.len() != press.order.len() {
            return Err("the template has not all the readings of results.order".into());
        }
        let lines = press.slots.iter().flat_map(|s| s.pieces.iter().map(|p| p.line));
        press.lines = lines.collect();
        press.grid.clone_from(&habits.grid);
        if let Some(grid) = &press.grid {
            // Also a line of it that says nothing of any pad.
            let own = anatomy.iter().filter(|line| grid.has(line.text.expose()));
            press.lines = own.map(|line| line.line).collect();
        }
        if press.lines.is_empty() {
            return Err("the template has no reading that could be printed over".into());
        }
        if let LinkKind::Printed(rules) = dialect.link() {
            press.length = rules.length;
        }
        let both = press.raw.windows(2).any(|w| w == b"\r\n");
        press.ending = match (press.length, both) {
            (0, true) => "\r\n",
            (0, false) => "\n",
            _ => "",
        };
        Ok(press)
    }

    fn blank(dialect: &'a dyn Dialect) -> Press<'a> {
        let place = Place::default();
        Press {
            dialect,
            raw: Vec::new(),
            template: Transmission { place, lines: Vec::new(), ending: Ending::Complete },
            slots: Vec::new(),
            learned: Vec::new(),
            kinds: BTreeMap::new(),
            lines: BTreeSet::new(),
            ending: "",
            length: 0,
            counts: false,
            rows: Vec::new(),
            order: Vec::new(),
            grid: None,
            strip: String::new(),
            suffixes: Vec::new(),
            leader: None,
            fixed: Vec::new(),
        }
    }

    /// What each part of the lines was taken for, their check characters apart.
    fn apart(&self, print: &Transmission) -> Vec<LineAnatomy> {
        self.dialect.anatomy(print).iter().map(|line| self.bare(line)).collect()
    }

    fn bare(&self, line: &LineAnatomy) -> LineAnatomy {
        let text = self.dialect.unchecked(line.text.expose());
        let within = |(range, _): &&(Range<usize>, _)| range.end <= text.len();
        let parts = line.parts.iter().filter(within).cloned().collect();
        LineAnatomy { line: line.line, text: Private::new(text), parts }
    }

    /// Takes in how readings stand in the other reports of a capture, where the template has none that stands so.
    pub fn learn(&mut self, capture: &[u8]) {
        if self.dialect.link() == LinkKind::Lis01 || self.grid.is_some() || self.is_in_order() {
            return;
        }
        let mut known: BTreeSet<String> =
            self.slots.iter().chain(&self.learned).map(Slot::shape).collect();
        for print in hear(self.dialect, capture) {
            let mut found = self.slots_of(&self.apart(&print));
            for slot in &found {
                self.kinds.entry(slot.label()).or_default().insert(slot.kinds());
            }
            found.retain(|slot| slot.is_donor() && known.insert(slot.shape()));
            self.learned.extend(found);
        }
        self.learned.truncate(MOST_LEARNED);
    }

    /// How readings under these labels stand in what was heard, each way once.
    #[must_use]
    pub fn kinds(&self, labels: &[&String]) -> Vec<&str> {
        let own = labels.iter().filter_map(|label| self.kinds.get(*label));
        own.flatten().map(String::as_str).collect::<BTreeSet<_>>().into_iter().collect()
    }

    /// The same, for prints of this strip.
    #[must_use]
    pub fn with_strip(&self, strip: &str) -> Press<'a> {
        Press { strip: strip.to_owned(), ..self.clone() }
    }

    /// The print tells its readings by their places alone.
    #[must_use]
    pub fn is_in_order(&self) -> bool {
        !self.order.is_empty()
    }

    fn slots_of(&self, anatomy: &[LineAnatomy]) -> Vec<Slot> {
        if self.is_in_order() { unnamed(anatomy) } else { slots(anatomy) }
    }

    /// Labels as the template prints them, or as its dialect names their places.
    #[must_use]
    pub fn labels(&self) -> Vec<String> {
        if self.is_in_order() {
            return self.order.clone();
        }
        self.slots.iter().map(Slot::label).collect()
    }

    /// The print says a number: a field of its own in records, else what the template has.
    #[must_use]
    pub fn has_number(&self) -> bool {
        let lines = match self.dialect.link() {
            LinkKind::Lis01 => return true,
            LinkKind::Printed(_) => self.apart(&self.template),
        };
        lines.iter().any(|line| line.parts.iter().any(|(_, kind)| *kind == "number"))
    }

    /// A value stands in both unit systems in some of its lines.
    #[must_use]
    pub fn prints_twice(&self) -> bool {
        self.slots.iter().any(|slot| slot.has(SECOND[0]))
    }

    /// A line of this form: what it wants beside level and lot is as the template says it. It stands instead of the
    /// line of the template that says most of that; None: of none, and it is one more. Nothing at all: it wants what
    /// the template does not say.
    #[must_use]
    pub fn put_in(
        &self,
        form: &str,
        level: &str,
        specimen: Option<&str>,
    ) -> Option<(Option<usize>, String)> {
        let anatomy = match self.dialect.link() {
            LinkKind::Lis01 => Vec::new(),
            LinkKind::Printed(_) => self.apart(&self.template),
        };
        let mut wanted = BTreeSet::new();
        let text = signs::put_in(form, |name| {
            let kind = name.replace('_', " ");
            let said: BTreeSet<&str> = anatomy.iter().flat_map(|line| said(line, &kind)).collect();
            wanted.insert(kind);
            match (name, specimen) {
                ("level", _) => Some(level.to_owned()),
                ("specimen", Some(own)) => Some(own.to_owned()),
                // Said in two ways, it may be in two pieces.
                _ if said.len() > 1 => None,
                _ => said.first().map(|own| (*own).to_owned()),
            }
        })?;
        let says = |line: &LineAnatomy| wanted.iter().filter(|k| !said(line, k).is_empty()).count();
        let others = anatomy.iter().filter(|line| !self.lines.contains(&line.line));
        let most = others.map(|line| (says(line), line.line)).filter(|(count, _)| *count > 0);
        Some((most.max_by_key(|(count, _)| *count).map(|(_, line)| line), text))
    }

    /// Whether this line of the template says which specimen it is.
    pub(super) fn says_specimen(&self, line: Option<usize>) -> bool {
        let anatomy = self.apart(&self.template);
        let mut own = anatomy.iter().filter(|own| Some(own.line) == line);
        own.any(|own| !said(own, "specimen").is_empty())
    }

    /// The lines that say these words, first way that the dialect's anatomy takes apart as meant.
    /// None: they do not fit.
    #[must_use]
    pub fn lines(&self, words: &Words) -> Option<Vec<Line>> {
        let line = |text| Line { words: words.clone(), text };
        if self.dialect.link() == LinkKind::Lis01 {
            return self.record(words).map(|text| vec![line(text)]);
        }
        if self.grid.is_some() {
            let one = vec![line(String::new())];
            return Some(one).filter(|lines| self.says(lines, words));
        }
        if self.is_in_order() && !self.order.contains(&words.label) {
            return None;
        }
        let own = self.slots.iter().filter(|slot| slot.is_donor()).map(|slot| (false, slot));
        let mut donors: Vec<(bool, &Slot)> =
            own.chain(self.learned.iter().map(|slot| (true, slot))).collect();
        let lacks = |slot: &Slot| {
            let has = |kind| words.part(kind).is_empty() || slot.has(kind);
            ["grade", "value", "unit", "mark"].into_iter().filter(|k| !has(k)).count()
        };
        // The template's own lines first, and of them those that begin with the reading.
        donors.sort_by_key(|(learned, slot)| {
            (*learned, slot.is_behind(), lacks(slot), slot.surplus(words))
        });
        // What numbers its line, or what else stands before the label, is the pad's own.
        let lead = self.slots.iter().find(|slot| slot.label() == words.label).and_then(Slot::lead);
        let can = |lines: &Vec<Line>| lines.iter().all(|l| self.dialect.encode(&l.text).is_some());
        let render = |slot: &Slot| {
            let texts = slot.render(words, self.leader);
            let own =
                lead.as_ref().zip(texts.clone()).and_then(|(lead, own)| slot.led_by(lead, own));
            own.into_iter().chain(texts).map(|all| all.into_iter().map(line).collect())
        };
        let render = |slot: &Slot| render(slot).collect::<Vec<Vec<Line>>>();
        let mut all = donors.into_iter().flat_map(|(_, slot)| render(slot)).filter(can);
        all.find(|lines| self.says(lines, words))
    }

    /// Whether these lines, printed alone, are taken apart as meant.
    fn says(&self, lines: &[Line], words: &Words) -> bool {
        let bytes = self.print(&Sign::default(), lines);
        let heard = hear(self.dialect, &bytes);
        let [one] = heard.as_slice() else { return false };
        let found = self.slots_of(&self.apart(one));
        let [slot] = found.as_slice() else { return false };
        (self.is_in_order() || slot.label() == words.label)
            && ["value", "unit", "mark"].into_iter().all(|k| slot.text(k) == words.meant(k))
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
    pub fn print(&self, sign: &Sign, lines: &[Line]) -> Vec<u8> {
        if self.dialect.link() == LinkKind::Lis01 {
            return frames(&self.records(sign, lines));
        }
        let bytes = self.set(sign, lines, None);
        if !self.counts {
            return bytes;
        }
        // How many readings these lines are, the dialect's own anatomy says, and its reading which of them are marked.
        let heard = hear(self.dialect, &bytes);
        let readings = heard.iter().map(|one| self.slots_of(&self.apart(one)).len()).sum();
        let reports = heard.iter().flat_map(|one| self.dialect.read(one));
        let marked = reports.map(|r| r.readings.iter().filter(|r| r.is_marked()).count()).sum();
        self.set(sign, lines, Some(Counts { readings, marked }))
    }

    fn set(&self, sign: &Sign, lines: &[Line], counts: Option<Counts>) -> Vec<u8> {
        let anatomy = self.dialect.anatomy(&self.template);
        let first = self.lines.first();
        let mut set: Vec<(usize, String)> = Vec::new();
        for line in anatomy.iter().map(|line| self.bare(line)) {
            if sign.instead == Some(line.line) {
                set.push((line.line, sign.line.clone()));
            } else if !self.lines.contains(&line.line) {
                set.push((line.line, self.edited(&line, sign, counts, None)));
            } else if first == Some(&line.line) {
                let more = sign.instead.is_none() && !sign.line.is_empty();
                let own = more.then(|| sign.line.clone());
                let texts = own.into_iter().chain(self.texts(&line, sign, counts, lines));
                set.extend(texts.map(|text| (line.line, text)));
            }
        }
        let (places, texts): (Vec<usize>, Vec<String>) = set.into_iter().unzip();
        let texts = self.dialect.checked(texts);
        let cuts = &self.template.lines;
        let begins = cuts.first().map_or(0, |cut| place(cut.place.from));
        let mut bytes = self.raw.get(..begins).unwrap_or_default().to_vec();
        for (n, cut) in cuts.iter().enumerate() {
            let own = places.iter().zip(&texts).filter(|(at, _)| **at == n).map(|(_, text)| text);
            let own: Vec<&String> = own.collect();
            let (from, to) = (place(cut.place.from), place(cut.place.to));
            let next = cuts.get(n + 1).map_or(self.raw.len(), |next| place(next.place.from));
            let as_it_was = anatomy.get(n).map(|line| line.text.expose());
            match own.as_slice() {
                [text] if Some(text.as_str()) == as_it_was => {
                    bytes.extend_from_slice(self.raw.get(from..to).unwrap_or_default());
                }
                texts => {
                    let texts: Vec<Vec<u8>> = texts.iter().map(|text| self.line(text)).collect();
                    bytes.extend(texts.join(self.ending.as_bytes()));
                }
            }
            let gap = self.raw.get(to..next).unwrap_or_default();
            bytes.extend_from_slice(if own.is_empty() { behind_its_end(gap) } else { gap });
        }
        bytes
    }

    /// The lines of all readings; those of a row as one, with what else stands in it.
    fn texts(
        &self,
        line: &LineAnatomy,
        sign: &Sign,
        counts: Option<Counts>,
        lines: &[Line],
    ) -> Vec<String> {
        if let Some(grid) = &self.grid {
            return grid.lines(&lines.iter().map(|line| &line.words).collect::<Vec<_>>());
        }
        let mut lines: Vec<&Line> = lines.iter().collect();
        if self.is_in_order() {
            lines.sort_by_key(|line| self.order.iter().position(|own| *own == line.words.label));
        }
        let texts: Vec<&str> = lines.iter().map(|line| line.text.as_str()).collect();
        match self.rows.iter().find(|row| row.line == line.line && self.rows.len() == 1) {
            Some(row) => {
                let put = (row.place.clone(), texts.join(&row.between));
                vec![self.edited(line, sign, counts, Some(put))]
            }
            None => texts.into_iter().map(str::to_owned).collect(),
        }
    }

    /// A line as bytes. What cannot be printed leaves its place empty, and the case differs.
    fn line(&self, text: &str) -> Vec<u8> {
        let mut bytes = self.dialect.encode(text).unwrap_or_default();
        if bytes.len() < self.length {
            bytes.resize(self.length, b' ');
        }
        bytes
    }

    /// A line of the template under a sign.
    fn edited(
        &self,
        line: &LineAnatomy,
        sign: &Sign,
        counts: Option<Counts>,
        put: Option<(Range<usize>, String)>,
    ) -> String {
        if sign.specimen.as_deref() == Some("")
            && let Some(form) = signs::without_id(&self.fixed, line)
        {
            return form.clone();
        }
        let mut text = line.text.expose().to_owned();
        let mut edits: Vec<(Range<usize>, String)> = put.into_iter().collect();
        for (range, kind) in &line.parts {
            let old = text.get(range.clone()).unwrap_or("");
            let new = match *kind {
                "number" => sign.numbered(old, &self.suffixes),
                "specimen" => sign.specimen.clone(),
                "strip" => Some(&self.strip).filter(|s| !s.is_empty()).cloned(),
                "count" => counts.map(|counts| counts.readings.to_string()),
                "marked" => counts.map(|counts| counts.marked.to_string()),
                _ => None,
            };
            edits.extend(new.map(|new| (range.clone(), new)));
        }
        edits.sort_by_key(|(range, _)| std::cmp::Reverse(range.start));
        for (range, new) in edits {
            text.replace_range(range, &new);
        }
        if self.length > 0 { text.trim_end().to_owned() } else { text }
    }

    /// The template's records with these results.
    fn records(&self, sign: &Sign, lines: &[Line]) -> Vec<String> {
        let mut records: Vec<String> = Vec::new();
        let mut results = 0;
        for cut in &self.template.lines {
            let text = String::from_utf8_lossy(&cut.bytes).into_owned();
            match text.chars().next() {
                Some('R') => {
                    if results == 0 {
                        for (n, line) in lines.iter().enumerate() {
                            let mut fields: Vec<&str> = line.text.split('|').collect();
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

/// What a line says of a kind, by its anatomy.
fn said<'l>(line: &'l LineAnatomy, kind: &str) -> Vec<&'l str> {
    let own = line.parts.iter().filter(|(_, own)| *own == kind && *own != "ignored");
    own.filter_map(|(range, _)| line.text.expose().get(range.clone())).collect()
}

/// The bytes of a page without the lines of other reports than this one.
fn alone(raw: &[u8], page: &Transmission, report: &Report) -> Vec<u8> {
    let begins = page.lines.first().map_or(0, |cut| place(cut.place.from));
    let mut bytes = raw.get(..begins).unwrap_or_default().to_vec();
    for (n, cut) in page.lines.iter().enumerate() {
        let next = page.lines.get(n + 1).map_or(raw.len(), |next| place(next.place.from));
        let (from, to) = (place(cut.place.from), place(cut.place.to));
        let gap = raw.get(to..next).unwrap_or_default();
        if report.lines.iter().any(|line| line.place == cut.place) {
            bytes.extend_from_slice(raw.get(from..next).unwrap_or_default());
        } else {
            bytes.extend_from_slice(behind_its_end(gap));
        }
    }
    bytes
}

/// What follows a line that is left out, without its end: it leaves no blank one. Only the end is taken, for a printer
/// command behind it may have any byte.
fn behind_its_end(gap: &[u8]) -> &[u8] {
    let end = gap.iter().take(2).take_while(|byte| matches!(byte, b'\r' | b'\n')).count();
    gap.get(end..).unwrap_or_default()
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
