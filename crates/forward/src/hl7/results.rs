//! OBX and NTE: what each pad says, in the words and types that the receiver takes.
//!
//! The order of what goes out is the receiver's, else the strip's; a grade stands before its number. Namesakes get a
//! sub-id (OBX-4), so that a receiver that files by name does not put one over the other.

use wickline_normalize::{Code, CodeSystem, Content, Observation, Remark, ResultStatus, Unit};

use super::layout::{EndAs, GradeAs, GradeCodes, Layout, Manner, Name, Names};
use super::report::{Outgoing, Times};
use super::told::{Amended, Told};
use super::version::Version;
use super::write::{EncodeFault, Field, Writer};

/// The fields of one coded name.
pub(super) struct CodedField {
    code: Field,
    text: Field,
}

pub(super) const OBR_4: [CodedField; 2] = [
    CodedField { code: Field::new("OBR-4.1", 20), text: Field::new("OBR-4.2", 199) },
    CodedField { code: Field::new("OBR-4.4", 20), text: Field::new("OBR-4.5", 199) },
];
pub(super) const OBX_3: [CodedField; 2] = [
    CodedField { code: Field::new("OBX-3.1", 20), text: Field::new("OBX-3.2", 199) },
    CodedField { code: Field::new("OBX-3.4", 20), text: Field::new("OBX-3.5", 199) },
];
pub(super) const OBX_5: [CodedField; 2] = [
    CodedField { code: Field::new("OBX-5.1", 20), text: Field::new("OBX-5.2", 199) },
    CodedField { code: Field::new("OBX-5.4", 20), text: Field::new("OBX-5.5", 199) },
];

/// Three components, wherever they came from.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) struct Triplet<'a> {
    code: &'a str,
    system: &'a str,
    text: &'a str,
}

impl<'a> Triplet<'a> {
    pub(super) fn named(name: &'a Name) -> Self {
        Self { code: &name.code, text: &name.text, system: &name.system }
    }

    /// A code of our own.
    pub(super) fn local(code: &'a str, text: &'a str, layout: &'a Layout) -> Self {
        Self { code, text, system: &layout.local_system }
    }

    fn of(code: &'a Code, layout: &'a Layout) -> Self {
        let system = match code.system {
            CodeSystem::Loinc => "LN",
            CodeSystem::SnomedCt => "SCT",
            CodeSystem::Local => &layout.local_system,
        };
        Self { code: &code.code, text: &code.text, system }
    }
}

/// One coded name, and another behind it.
///
/// Which comes first is the receiver's choice; a name without a code is refused.
pub(super) fn coded(
    w: &mut Writer,
    fields: &[CodedField; 2],
    first: Triplet<'_>,
    second: Option<Triplet<'_>>,
) -> Result<(), EncodeFault> {
    for (n, (field, one)) in fields.iter().zip([Some(first), second]).enumerate() {
        let Some(Triplet { code, text, system }) = one else { break };
        if code.is_empty() {
            return Err(EncodeFault::new(field.code.name, "no code", "a code with its system"));
        }
        if n > 0 {
            w.component();
        }
        w.id(field.code, code)?;
        w.component();
        w.words(field.text, text)?;
        w.component();
        w.plain(system);
    }
    Ok(())
}

/// Numbers the NTE of one group.
#[derive(Default)]
pub(super) struct Notes(usize);

impl Notes {
    /// Writes a note if the receiver takes any.
    pub(super) fn write(
        &mut self,
        w: &mut Writer,
        layout: &Layout,
        text: &str,
    ) -> Result<(), EncodeFault> {
        if text.is_empty() || !layout.segments.nte {
            return Ok(());
        }
        self.0 += 1;
        w.segment("NTE");
        w.count(self.0);
        w.fixed(1, "L");
        w.fields(1);
        w.formatted(Field::private("NTE-3", 65_536), text)
    }

    /// A remark goes with its code, so that a receiver can sort by it (NTE-4).
    ///
    /// One that is too long for a note is refused, not cut.
    pub(super) fn remark(
        &mut self,
        w: &mut Writer,
        layout: &Layout,
        remark: &Remark,
    ) -> Result<(), EncodeFault> {
        if remark.text.is_empty() || !layout.segments.nte {
            return Ok(());
        }
        self.write(w, layout, &remark.text)?;
        if !remark.code.is_empty() {
            w.fields(1);
            w.id(Field::new("NTE-4.1", 20), &remark.code)?;
            w.component();
            w.component();
            w.plain(&layout.local_system);
        }
        Ok(())
    }
}

/// What goes out of a report, as the receiver wants it: observations in its order, and the remarks
/// about each.
pub(super) struct Results<'a> {
    layout: &'a Layout,
    rows: Vec<Row<'a>>,
    /// OBX-4 tells apart results that share a name; 2.3.1 receivers want one always.
    numbered: bool,
}

struct Row<'a> {
    observation: &'a Observation,
    manner: Manner<'a>,
    names: (Triplet<'a>, Option<Triplet<'a>>),
    /// The first bytes of the first code: every pair of results is compared in every message.
    begins: u64,
}

impl<'a> Results<'a> {
    pub(super) fn new(
        layout: &'a Layout,
        observations: impl IntoIterator<Item = &'a Observation>,
    ) -> Self {
        let observations = observations.into_iter();
        let all = layout.keeps_order();
        let mut rows: Vec<Row<'a>> = Vec::with_capacity(observations.size_hint().1.unwrap_or(0));
        for observation in observations {
            if all || layout.place(observation.pad()).is_some() {
                let manner = layout.manner(observation);
                let names = names(layout, observation, &manner);
                let begins = begins(names.0.code);
                rows.push(Row { observation, manner, names, begins });
            }
        }
        if !all {
            rows.sort_by_key(|row| layout.place(row.observation.pad()));
        }
        let always = layout.sub_ids || layout.version == Version::V231;
        let numbered = always || any_name_twice(&rows);
        Self { layout, rows, numbered }
    }

    /// Two of them share a name, so that OBX-4 must tell them apart.
    pub(super) fn has_namesakes(&self) -> bool {
        any_name_twice(&self.rows)
    }

    /// Code and system of every name in OBX-3, each with the pad that it stands for.
    pub(super) fn names(&self) -> Vec<((&'a str, &'a str), &'a str)> {
        let of = |row: &Row<'a>| {
            let pad = row.observation.pad();
            let names = [Some(row.names.0), row.names.1].into_iter().flatten();
            names.map(move |name| ((name.code, name.system), pad))
        };
        self.rows.iter().flat_map(of).collect()
    }

    /// True where this receiver takes none of it.
    pub(super) fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// True for a remark that stands behind a result; others are about the whole report.
    pub(super) fn has(&self, remark: &Remark) -> bool {
        self.rows.iter().any(|row| is_about(remark, row))
    }

    /// What goes out as it would the first time, to be compared with what was told before.
    pub(super) fn as_told(
        &self,
        w: &Writer,
        out: &Outgoing<'_>,
        times: &Times,
    ) -> Result<Vec<Told>, EncodeFault> {
        let origin = origin(w, self.layout, out, times)?;
        let one = |(n, row)| {
            let mut apart = w.apart();
            self.obx(&mut apart, n, row, &origin)?;
            Ok(Told::read(&apart.into_text()))
        };
        self.rows.iter().enumerate().map(one).collect()
    }

    /// All of them; says how many OBX that were.
    pub(super) fn write(
        &self,
        w: &mut Writer,
        out: &Outgoing<'_>,
        times: &Times,
        amended: Option<&Amended>,
    ) -> Result<usize, EncodeFault> {
        let origin = origin(w, self.layout, out, times)?;
        for (n, row) in self.rows.iter().enumerate() {
            match amended {
                None => self.obx(w, n, row, &origin)?,
                Some(amended) => amended.write(w, n)?,
            }
            self.notes(w, out.remarks, n)?;
        }
        let gone = amended.map_or(Ok(0), |amended| amended.write_gone(w))?;
        Ok(self.rows.len() + gone)
    }

    fn obx(
        &self,
        w: &mut Writer,
        n: usize,
        row: &Row<'_>,
        origin: &Writer,
    ) -> Result<(), EncodeFault> {
        w.segment("OBX");
        w.count(n + 1);
        w.fixed(1, row.kind());
        w.fields(1);
        coded(w, &OBX_3, row.names.0, row.names.1)?;
        if self.numbered {
            let before = self.rows.iter().take(n).filter(|other| row.shares_name(other));
            w.count(1 + before.count());
        } else {
            w.fields(1);
        }
        row.value(w, self.layout)?;
        w.append(origin);
        Ok(())
    }

    /// Why a pad was not read, and the remarks about its analyte, once behind its last result.
    fn notes(&self, w: &mut Writer, remarks: &[Remark], n: usize) -> Result<(), EncodeFault> {
        let (mut notes, Some(row)) = (Notes::default(), self.rows.get(n)) else { return Ok(()) };
        if let Content::Unread { reason, .. } = &row.observation.content {
            notes.write(w, self.layout, reason)?;
        }
        let analyte = row.observation.pad();
        let mut later = self.rows.iter().skip(n + 1);
        if remarks.is_empty() || later.any(|other| other.observation.pad() == analyte) {
            return Ok(());
        }
        for remark in remarks.iter().filter(|r| is_about(r, row)) {
            notes.remark(w, self.layout, remark)?;
        }
        Ok(())
    }
}

fn begins(code: &str) -> u64 {
    code.bytes().take(8).fold(0, |sum, b| sum << 8 | u64::from(b))
}

fn is_about(remark: &Remark, row: &Row<'_>) -> bool {
    remark.about.iter().any(|id| id == row.observation.pad())
}

fn any_name_twice(rows: &[Row<'_>]) -> bool {
    rows.iter().enumerate().any(|(n, one)| rows.iter().skip(n + 1).any(|o| one.shares_name(o)))
}

/// The names in OBX-3. Where there is no published code, the local one stands alone.
fn names<'a>(
    layout: &'a Layout,
    observation: &'a Observation,
    manner: &Manner<'a>,
) -> (Triplet<'a>, Option<Triplet<'a>>) {
    let own = manner.name.map(Triplet::named);
    if observation.code.system == CodeSystem::Local {
        return (own.unwrap_or_else(|| Triplet::of(&observation.code, layout)), None);
    }
    let published = Triplet::of(&observation.code, layout);
    let local = own.unwrap_or_else(|| Triplet::of(&observation.local, layout));
    match manner.names {
        Names::PublishedFirst => (published, Some(local)),
        Names::LocalFirst => (local, Some(published)),
        Names::Published => (published, None),
        Names::Local => (local, None),
    }
}

impl Row<'_> {
    fn shares_name(&self, other: &Row<'_>) -> bool {
        let (one, two) = (self.names.0, other.names.0);
        self.begins == other.begins && one.code == two.code && one.system == two.system
    }

    /// OBX-2. What was not read has the type that its result would have had.
    fn kind(&self) -> &'static str {
        match &self.observation.content {
            Content::Unread { number: true, .. } => "NM",
            Content::Grade { .. } | Content::Unread { .. } => match self.manner.grade_as {
                GradeAs::Ce => "CE",
                GradeAs::Cwe => "CWE",
                GradeAs::Sn if self.plus().is_some() => "SN",
                GradeAs::St | GradeAs::Sn => "ST",
            },
            Content::Number { comparator: None, .. } => "NM",
            Content::Number { .. } | Content::Range { .. } if self.manner.end_as == EndAs::St => {
                "ST"
            }
            Content::Number { .. } | Content::Range { .. } => "SN",
        }
    }

    /// The number of a grade such as `2+` or `0.5+`.
    fn plus(&self) -> Option<&str> {
        let Content::Grade { code, .. } = &self.observation.content else { return None };
        let number = code.text.strip_suffix('+')?;
        let short = (1..=3).contains(&number.len());
        (short && check_number(number).is_ok()).then_some(number)
    }

    /// OBX-5 to OBX-11.
    fn value(&self, w: &mut Writer, layout: &Layout) -> Result<(), EncodeFault> {
        let observation = self.observation;
        w.fields(1);
        let mut units = None;
        match &observation.content {
            Content::Grade { code, alternate } => {
                self.grade(w, layout, code, alternate.as_ref())?;
            }
            Content::Number { comparator, digits, unit } => {
                check_number(digits)?;
                if let Some(comparator) = comparator {
                    w.plain(comparator.text());
                    if self.manner.end_as == EndAs::Sn {
                        w.component();
                    }
                }
                w.plain(digits);
                units = unit.as_ref();
            }
            Content::Range { from, to, unit } => {
                self.range(w, from, to)?;
                units = unit.as_ref();
            }
            Content::Unread { .. } => {}
        }
        w.fields(1);
        if let Some(Unit { ucum, text }) = units {
            w.id(Field::new("OBX-6.1", 20), ucum)?;
            w.component();
            w.words(Field::new("OBX-6.2", 199), text)?;
            w.component();
            w.plain("UCUM");
        }
        w.fields(1);
        w.words(Field::new("OBX-7", 60), observation.reference.as_deref().unwrap_or(""))?;
        let status = ResultStatus::first(observation, layout.status);
        let read = status != ResultStatus::Unread;
        w.fixed(1, observation.flag.filter(|_| read).map_or("", |flag| flag.text()));
        w.fixed(3, status.text());
        Ok(())
    }

    /// `^10^-^25` in SN, whose parts are comparator, number, separator or suffix, number (HL7 v2, chapter 2,
    /// from 2.3 on); as text `10-25`.
    fn range(&self, w: &mut Writer, from: &str, to: &str) -> Result<(), EncodeFault> {
        check_number(from)?;
        check_number(to)?;
        let apart = |w: &mut Writer| {
            if self.manner.end_as == EndAs::Sn {
                w.component();
            }
        };
        apart(w);
        w.plain(from);
        apart(w);
        w.plain("-");
        apart(w);
        w.plain(to);
        Ok(())
    }

    fn grade(
        &self,
        w: &mut Writer,
        layout: &Layout,
        code: &Code,
        alternate: Option<&Code>,
    ) -> Result<(), EncodeFault> {
        let (first, second) = match (layout.grade_codes, alternate) {
            (GradeCodes::Local, _) | (_, None) => (code, None),
            (GradeCodes::LocalFirst, alternate) => (code, alternate),
            (GradeCodes::SnomedFirst, Some(snomed)) => (snomed, Some(code)),
            (GradeCodes::Snomed, Some(snomed)) => (snomed, None),
        };
        match (self.manner.grade_as, self.plus()) {
            (GradeAs::Ce | GradeAs::Cwe, _) => {
                let second = second.map(|code| Triplet::of(code, layout));
                return coded(w, &OBX_5, Triplet::of(first, layout), second);
            }
            (GradeAs::Sn, Some(number)) => {
                w.component();
                w.plain(number);
                w.component();
                w.plain("+");
            }
            // The words of the strip: a receiver without codes shows what the analyzer printed.
            (GradeAs::St | GradeAs::Sn, _) if code.text.is_empty() => {
                return Err(EncodeFault::new("OBX-5", "a grade without words", "words, or CE"));
            }
            (GradeAs::St | GradeAs::Sn, _) => w.words(Field::new("OBX-5", 199), &code.text)?,
        }
        Ok(())
    }
}

/// NM: an optional sign, digits, an optional point; at most 15 characters, so that SN takes it too.
///
/// What is no number of HL7 is refused: a receiver would read it in its own way.
fn check_number(digits: &str) -> Result<(), EncodeFault> {
    let bare = digits.strip_prefix(['+', '-']).unwrap_or(digits);
    let (whole, part) = bare.split_once('.').unwrap_or((bare, "0"));
    let all = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    if digits.len() <= 15 && all(whole) && all(part) {
        return Ok(());
    }
    let shown: String = digits.chars().take(40).flat_map(char::escape_debug).collect();
    Err(EncodeFault::new(
        "OBX-5",
        format!("`{shown}` as a number"),
        "a sign, digits, a point and digits: at most 15 characters",
    ))
}

/// What every OBX says alike: who, on which analyzer, when (OBX-14 or OBX-16 to 19).
fn origin(
    w: &Writer,
    layout: &Layout,
    out: &Outgoing<'_>,
    times: &Times,
) -> Result<Writer, EncodeFault> {
    let mut origin = w.apart();
    let old = layout.version == Version::V231;
    origin.fixed(3, if old { &times.taken } else { "" });
    origin.fields(2);
    if let Some(operator) = out.operator {
        origin.id(Field::private("OBX-16.1", 15), operator.expose())?;
    }
    if !old {
        origin.fields(2);
        equipment(&mut origin, layout, out)?;
        origin.fixed(1, &times.taken);
    }
    Ok(origin)
}

/// OBX-18: our name for the bench, and behind it what its maker calls it.
fn equipment(w: &mut Writer, layout: &Layout, out: &Outgoing<'_>) -> Result<(), EncodeFault> {
    let own = (out.analyzer, layout.equipment_namespace.as_str());
    let made = out.equipment.map(|made| (made.serial, made.model));
    for (n, (id, namespace)) in [Some(own), made].into_iter().flatten().enumerate() {
        let whole = id.chars().count() + 1 + namespace.chars().count();
        if whole > 22 && !namespace.is_empty() {
            let allowed = "22 characters with the ^ between them; nothing is cut";
            return Err(EncodeFault::new("OBX-18", format!("{whole} characters"), allowed));
        }
        if n > 0 {
            w.plain("~");
        }
        w.id(Field::new("OBX-18.1", 22), id)?;
        if !namespace.is_empty() {
            w.component();
            w.id(Field::new("OBX-18.2", 20), namespace)?;
        }
    }
    Ok(())
}
