//! A truth: what a person read on the paper of a capture, as a CSV beside it that a spreadsheet opens too.
//!
//! Nothing in here comes from a dialect, a strip or a receiver: what is typed is kept as it was typed, and
//! [`super::against`] holds it against what the program makes of the same bytes.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use wickline_normalize::Reason;

use crate::csv::{line, lines_by};
use crate::digest;

/// The columns. `label` to `code` belong to readings; everything else stands in `value`.
pub const HEAD: [&str; 9] =
    ["report", "what", "label", "pad", "grade", "value", "unit", "mark", "code"];

/// What a row can be about, beside `reading`: those of the file, then those of a report.
const OF_FILE: [&str; 2] = ["capture", "read-by"];

/// What may not be left open, and what stands there: empty, it would be taken for something that nobody typed. Every
/// other empty cell says that the paper has nothing there, and differs where something is read.
const SAID: [(&str, &str); 6] = [
    ("capture", "the first 16 digits of the SHA-256 of the capture whose paper it is"),
    ("read-by", "the name of the person who read the paper"),
    ("class", "routine, stat (urgent) or control"),
    ("end", "sent, filed (control material) or held: and the reasons, as held: pad-unread"),
    ("label", "the label of the reading, as printed"),
    ("pad", "the id of the pad that the label is, as GLU"),
];

/// What of a report is typed, with the question that is asked for it.
pub const OF_REPORT: [(&str, &str); 11] = [
    ("number", "number, as printed, without a sign behind it that [number] suffixes lists"),
    ("specimen", "specimen id, as printed"),
    ("class", "class: routine, stat (urgent) or control"),
    ("level", "level of the control material"),
    ("lot", "lot of the control material, as printed"),
    ("strip", "strip, where the analyzer has several"),
    ("strip-lot", "lot of the strips, as printed"),
    (
        "strip-expiry",
        "last day of the strips, as 2027-11-30, or 2027-11 where only the month is printed",
    ),
    (
        "taken",
        "date and time, as 2026-03-14 09:14, 2026-03-14 09:14:55, or 2026-03-14 alone where no time is printed",
    ),
    ("operator", "operator, as printed"),
    (
        "end",
        "what becomes of it: sent, filed (control material) or held: and the reasons, as held: pad-unread",
    ),
];

/// Rows at most: some hundred reports.
const MOST: usize = 10_000;

/// What a person read of one capture.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Truth {
    /// The first 16 digits of the capture's SHA-256.
    pub capture: String,
    /// Who read the paper.
    pub read_by: String,
    pub reports: Vec<Typed>,
}

/// One report as a person read it. Empty: it is not on the paper.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Typed {
    pub number: String,
    pub specimen: String,
    /// `routine`, `stat` or `control`.
    pub class: String,
    pub level: String,
    /// The lot of control material: it chooses what the results are held against.
    pub lot: String,
    /// The strip's id; empty: the analyzer's first.
    pub strip: String,
    pub strip_lot: String,
    /// The last day of the strips: `2027-11-30`.
    pub strip_expiry: String,
    /// `2026-03-14`, with ` 09:14` or ` 09:14:55` behind it.
    pub taken: String,
    pub operator: String,
    /// `sent`, `filed`, or `held: pad-unread, off-ladder` with the reasons that the paper gives.
    pub end: String,
    pub readings: Vec<TypedReading>,
}

/// One reading as a person read it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TypedReading {
    pub label: String,
    /// What the label stands for, by the id of a pad: `GLU`.
    pub pad: String,
    pub grade: String,
    pub value: String,
    pub unit: String,
    pub mark: String,
    /// What the receiver's list calls this result, with its unit there if it has one, and `;` between several:
    /// `UGLU mg/dL; UGLUQ`. Empty: nobody looked.
    pub code: String,
}

impl Typed {
    /// What was typed about one of [`OF_REPORT`].
    #[must_use]
    pub fn of(&self, what: &str) -> &str {
        match what {
            "number" => &self.number,
            "specimen" => &self.specimen,
            "class" => &self.class,
            "level" => &self.level,
            "lot" => &self.lot,
            "strip" => &self.strip,
            "strip-lot" => &self.strip_lot,
            "strip-expiry" => &self.strip_expiry,
            "taken" => &self.taken,
            "operator" => &self.operator,
            _ => &self.end,
        }
    }

    /// Takes an answer. The error says what is allowed.
    pub fn take(&mut self, what: &str, text: &str) -> Result<(), String> {
        let text = text.trim();
        said(what, text)?;
        match what {
            "class" if !["routine", "stat", "control"].contains(&text) => {
                return Err("class is routine or stat or control".into());
            }
            "taken" if !is_time(text) => {
                return Err("taken is 2026-03-14, 2026-03-14 09:14 or 2026-03-14 09:14:55".into());
            }
            _ => {}
        }
        let place = match what {
            "number" => &mut self.number,
            "specimen" => &mut self.specimen,
            "class" => &mut self.class,
            "level" => &mut self.level,
            "lot" => &mut self.lot,
            "strip" => &mut self.strip,
            "strip-lot" => &mut self.strip_lot,
            "strip-expiry" => &mut self.strip_expiry,
            "taken" => &mut self.taken,
            "operator" => &mut self.operator,
            "end" => &mut self.end,
            _ => return Err(format!("what is `{what}`? it is {}", known())),
        };
        *place = match what {
            "end" => end(text)?,
            "strip-expiry" => last_day(text)?,
            _ => text.to_owned(),
        };
        Ok(())
    }

    /// Whether this is asked of such a report: level and lot are those of control material.
    #[must_use]
    pub fn has(&self, what: &str) -> bool {
        self.class == "control" || !["level", "lot"].contains(&what)
    }
}

/// Whether this may be left open where it is; what is allowed there instead.
pub fn said(what: &str, text: &str) -> Result<(), String> {
    match SAID.iter().find(|(must, _)| *must == what && text.is_empty()) {
        Some((_, allowed)) => Err(format!("{what} is empty: write {allowed}")),
        None => Ok(()),
    }
}

/// What becomes of a report, as it is compared: reasons in the order of their codes.
///
/// `held` alone is taken, since nobody who types need know the codes; what is read then says which it would be.
fn end(text: &str) -> Result<String, String> {
    let (word, reasons) = text.split_once(':').unwrap_or((text, ""));
    let signs = |c: char| c.is_whitespace() || c == ',' || c == ';';
    let reasons: BTreeSet<&str> = reasons.split(signs).filter(|code| !code.is_empty()).collect();
    let word = word.trim();
    if !["sent", "filed", "held"].contains(&word) || (word != "held" && text != word) {
        return Err("end is sent or filed or held: and the reasons, as held: pad-unread".into());
    }
    let known = || Reason::ALL.iter().map(|reason| reason.code());
    if let Some(strange) = reasons.iter().find(|code| !known().any(|own| own == **code)) {
        let known: Vec<&str> = known().collect();
        return Err(format!("`{strange}` is no reason; the reasons are {}", known.join(", ")));
    }
    let reasons: Vec<&str> = reasons.into_iter().collect();
    Ok(if reasons.is_empty() { word.to_owned() } else { format!("held: {}", reasons.join(", ")) })
}

impl Truth {
    /// Reads a truth of the capture with this digest, separated by commas, semicolons or tabs. The error names the line
    /// and what it may be.
    pub fn parse(text: &str, capture: &str) -> Result<Truth, String> {
        let head = text.trim_start_matches('\u{feff}').lines().next().unwrap_or("");
        let by = [b';', b'\t'].into_iter().find(|sign| head.contains(char::from(*sign)));
        let rows = lines_by(text, by.unwrap_or(b','))?;
        let mut rows = rows.into_iter();
        let names: Vec<String> =
            rows.next().unwrap_or_default().iter().map(|n| n.trim().to_lowercase()).collect();
        let place = |name: &str| names.iter().position(|known| known == name);
        if HEAD.iter().take(8).any(|name| place(name).is_none()) {
            return Err(format!("line 1: the columns are {}", HEAD.join(",")));
        }
        if rows.len() > MOST {
            return Err(format!("{} rows; {MOST} are allowed", rows.len()));
        }
        let mut truth = Truth::default();
        let mut rows_of = BTreeSet::new();
        for (n, row) in rows.enumerate() {
            let cell = |name: &str| {
                let cell = place(name).and_then(|at| row.get(at));
                cell.map(|c| c.trim().to_owned()).unwrap_or_default()
            };
            if row.iter().all(|c| c.trim().is_empty()) {
                continue;
            }
            let taken = once(&cell, &mut rows_of).and_then(|()| truth.row(&cell, capture));
            taken.map_err(|why| format!("line {}: {why}", n + 2))?;
        }
        truth.is_whole(capture)?;
        Ok(truth)
    }

    fn row(&mut self, cell: &impl Fn(&str) -> String, capture: &str) -> Result<(), String> {
        let what = cell("what");
        match what.as_str() {
            "capture" => {
                is_of(&cell("value"), capture)?;
                self.capture = cell("value");
            }
            "read-by" => {
                said(&what, &cell("value"))?;
                self.read_by = cell("value");
            }
            "reading" => {
                let report = self.report(&cell("report"))?;
                report.readings.extend(reading(cell)?);
            }
            _ => return self.report(&cell("report"))?.take(&what, &cell("value")),
        }
        Ok(())
    }

    /// What may not be empty may not lack its row either.
    fn is_whole(&self, capture: &str) -> Result<(), String> {
        let no_row = |why: String| why.replacen("is empty", "has no row", 1);
        is_of(&self.capture, capture).map_err(no_row)?;
        said("read-by", &self.read_by).map_err(no_row)?;
        for (n, report) in self.reports.iter().enumerate() {
            for (what, _) in OF_REPORT.iter().filter(|(what, _)| report.of(what).is_empty()) {
                said(what, "").map_err(|why| format!("report {}: {}", n + 1, no_row(why)))?;
            }
        }
        Ok(())
    }

    /// The report of this number: the last one, or the next.
    fn report(&mut self, number: &str) -> Result<&mut Typed, String> {
        let count = self.reports.len();
        let nth: usize = number.parse().unwrap_or(0);
        if nth == count + 1 {
            self.reports.push(Typed::default());
        }
        let known = self.reports.last_mut().filter(|_| nth >= count.max(1) && nth <= count + 1);
        known.ok_or_else(|| {
            format!(
                "report is `{number}`; the reports are numbered 1, 2, 3 in the order of the paper, and the rows of \
                 each stand together, behind those of the report before it"
            )
        })
    }

    /// The file. With `pads`, a form to fill in: every report with an empty line for each of them.
    #[must_use]
    pub fn csv(&self, pads: &[String]) -> String {
        let mut text = line(&HEAD.map(str::to_owned));
        let mut put = |report: &str, what: &str, cells: [&str; 7]| {
            let row: Vec<String> =
                [report, what].into_iter().chain(cells).map(str::to_owned).collect();
            text.push_str(&line(&row));
        };
        let value = |text| ["", "", "", text, "", "", ""];
        for (what, text) in OF_FILE.into_iter().zip([&self.capture, &self.read_by]) {
            put("", what, value(text));
        }
        for (n, report) in self.reports.iter().enumerate() {
            let n = (n + 1).to_string();
            for (what, _) in OF_REPORT {
                put(&n, what, value(report.of(what)));
            }
            for r in &report.readings {
                let cells = [&r.label, &r.pad, &r.grade, &r.value, &r.unit, &r.mark, &r.code];
                put(&n, "reading", cells.map(String::as_str));
            }
            for pad in pads {
                put(&n, "reading", ["", pad, "", "", "", "", ""]);
            }
        }
        text
    }
}

/// A reading as typed. None: a line of a form that the paper does not have.
fn reading(cell: &impl Fn(&str) -> String) -> Result<Option<TypedReading>, String> {
    let reading = TypedReading {
        label: cell("label"),
        pad: cell("pad").to_uppercase(),
        grade: cell("grade"),
        value: cell("value"),
        unit: cell("unit"),
        mark: cell("mark"),
        code: cell("code"),
    };
    let of_paper = ["label", "grade", "value", "unit", "mark", "code"];
    if of_paper.into_iter().all(|name| cell(name).is_empty()) {
        return Ok(None);
    }
    said("label", &reading.label)?;
    said("pad", &reading.pad)?;
    signed(&reading.value)?;
    Ok(Some(reading))
}

/// What is said once of a report stands in one row, under `value`: anything else would be passed over.
fn once(
    cell: &impl Fn(&str) -> String,
    rows_of: &mut BTreeSet<(String, String)>,
) -> Result<(), String> {
    let what = cell("what");
    if what == "reading" {
        return Ok(());
    }
    let others = ["label", "pad", "grade", "unit", "mark", "code"];
    if let Some(other) = others.into_iter().find(|name| !cell(name).is_empty()) {
        let found = cell(other);
        return Err(format!("{what} has `{found}` under {other}: it stands under value"));
    }
    match rows_of.insert((cell("report"), what.clone())) {
        true => Ok(()),
        false => Err(format!("{what} stands here a second time: leave one row of it")),
    }
}

/// Whether a cell names the capture with this digest.
fn is_of(cell: &str, capture: &str) -> Result<(), String> {
    said("capture", cell)
        .map_err(|why| format!("{why}; if the paper is that of this one, it is `{capture}`"))?;
    if cell == capture {
        return Ok(());
    }
    Err(format!(
        "capture is `{cell}`, and this one is `{capture}`: it was typed from another capture, or a spreadsheet changed \
         the cell: compare the paper again, and type it anew"
    ))
}

/// An end of a ladder is typed with its sign.
///
/// Its words are the dialect's to translate: a truth with the same word would be compared with itself.
pub fn signed(value: &str) -> Result<(), String> {
    if !value.starts_with(char::is_alphabetic) {
        return Ok(());
    }
    Err(format!(
        "value `{value}` begins with a letter: write the sign that the insert has there, as `>1.028` or `<=5`; a word \
         by itself stands under grade"
    ))
}

/// Where the truth of a capture is kept.
#[must_use]
pub fn beside(capture: &Path) -> PathBuf {
    capture.with_extension("truth.csv")
}

/// What a truth names a capture by.
#[must_use]
pub fn digest(bytes: &[u8]) -> String {
    digest::of_bytes(bytes).chars().take(16).collect()
}

/// The last day of strips: a month alone means its last one, as is common practice on strip bottles.
fn last_day(text: &str) -> Result<String, String> {
    let parts: Option<Vec<u16>> = text.split('-').map(|part| part.parse().ok()).collect();
    let last = match parts.as_deref() {
        _ if text.is_empty() => return Ok(String::new()),
        Some([_, _, day @ 1..=31]) if is_time(text) => *day,
        Some([year, 2]) if year % 4 == 0 && (year % 100 != 0 || year % 400 == 0) => 29,
        Some([_, 2]) => 28,
        Some([_, 4 | 6 | 9 | 11]) => 30,
        Some([_, 1..=12]) => 31,
        _ => 0,
    };
    let month = text.get(..7).unwrap_or("");
    let day = format!("{month}-{last:02}");
    let is_day = last > 0 && is_time(&day);
    if is_day { Ok(day) } else { Err("strip-expiry is 2027-11-30 or 2027-11".into()) }
}

/// `2026-03-14`, with ` 09:14` or ` 09:14:55`; or nothing.
fn is_time(text: &str) -> bool {
    let shape: String = text.chars().map(|c| if c.is_ascii_digit() { '0' } else { c }).collect();
    ["", "0000-00-00", "0000-00-00 00:00", "0000-00-00 00:00:00"].contains(&shape.as_str())
}

fn known() -> String {
    let of_report = OF_REPORT.iter().map(|(what, _)| *what);
    OF_FILE.into_iter().chain(of_report).chain(["reading"]).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::{Truth, Typed, TypedReading};

    #[test]
    fn a_truth_comes_back_as_it_was_typed() {
        let reading = |label: &str, grade: &str, value: &str| TypedReading {
            label: label.into(),
            pad: "GLU".into(),
            grade: grade.into(),
            value: value.into(),
            unit: "mg/dL".into(),
            mark: "=*".into(),
            code: String::new(),
        };
        let report = Typed {
            number: "0042".into(),
            class: "stat".into(),
            taken: "2026-03-14 09:14".into(),
            lot: "L4471".into(),
            strip_lot: "S7731".into(),
            strip_expiry: "2027-11-30".into(),
            end: "sent".into(),
            readings: vec![reading("GLU", "+", "4,5"), reading("G;\"L", "-", "")],
            ..Typed::default()
        };
        let truth =
            Truth { capture: "00ff".into(), read_by: "A. Vidal".into(), reports: vec![report] };
        assert_eq!(Truth::parse(&truth.csv(&[]), "00ff"), Ok(truth.clone()));
        // A form's empty lines say nothing.
        assert_eq!(Truth::parse(&truth.csv(&["BIL".into()]), "00ff"), Ok(truth));
    }

    const HEAD: &str = "report;what;label;pad;grade;value;unit;mark\n";
    const SAID: &str = ";capture;;;;00ff;;\n;read-by;;;;A. Vidal;;\n1;class;;;;routine;;\n";

    /// A truth with these rows behind what every one has.
    fn parsed(rows: &str) -> Result<Truth, String> {
        Truth::parse(&format!("\u{feff}{HEAD}{SAID}{rows}"), "00ff")
    }

    #[test]
    fn a_spreadsheet_with_semicolons_and_no_code_is_read_and_its_mistakes_are_named() {
        let truth = parsed("1;number;;;;17;;\n1;end;;;;sent;;\n1;reading;Leu;leu;2+;;;\n");
        let truth = truth.expect("a truth");
        let held = parsed("1;end;;;;held: pad-unread off-ladder;;\n").expect("a truth");
        assert_eq!(held.reports[0].end, "held: off-ladder, pad-unread");
        for (typed, day) in
            [("2027-11", "2027-11-30"), ("2028-02", "2028-02-29"), ("2027-11-05", "2027-11-05")]
        {
            let truth = parsed(&format!("1;end;;;;sent;;\n1;strip-expiry;;;;{typed};;\n"));
            assert_eq!(truth.expect("a truth").reports[0].strip_expiry, day);
        }
        let report = &truth.reports[0];
        assert_eq!((report.class.as_str(), report.end.as_str()), ("routine", "sent"));
        assert_eq!((report.number.as_str(), report.readings[0].pad.as_str()), ("17", "LEU"));
        for (row, why) in [
            ("3;number;;;;17;;", "line 5: report is `3`"),
            ("1;colour;;;;17;;", "line 5: what is `colour`?"),
            ("2;class;;;;urgent;;", "line 5: class is routine or stat or control"),
            ("1;end;;;;sent: off-ladder;;", "line 5: end is sent or filed or held"),
            ("1;reading;SG;SG;;oltre 1,028;;", "line 5: value `oltre 1,028` begins with a letter"),
            ("1;taken;;;;14.03.2026;;", "line 5: taken is 2026-03-14"),
            ("1;strip-expiry;;;;11/2027;;", "line 5: strip-expiry is 2027-11-30 or 2027-11"),
            ("1;strip-expiry;;;;2027-13;;", "line 5: strip-expiry is 2027-11-30 or 2027-11"),
        ] {
            let told = parsed(&format!("{row}\n")).expect_err(row);
            assert!(told.starts_with(why), "{told}");
        }
        let told = Truth::parse("a,b\n", "00ff").expect_err("no truth");
        assert!(told.starts_with("line 1: the columns"));
    }

    /// What nobody typed is never taken for something: not where a cell is empty, nor where its row lacks, nor where
    /// the text stands in a cell that is passed over.
    #[test]
    fn what_must_be_said_is_not_left_open() {
        for (row, why) in [
            ("1;end;;;;;;", "line 5: end is empty: write sent, filed (control material) or held:"),
            ("2;class;;;; ;;", "line 5: class is empty: write routine, stat (urgent) or control"),
            ("1;reading;;GLU;2+;;;", "line 5: label is empty"),
            ("1;reading;;GLU;;;mg/dL;", "line 5: label is empty"),
            ("1;reading;GLU;;2+;;;", "line 5: pad is empty"),
            ("1;class;;;;stat;;", "line 5: class stands here a second time"),
            ("1;number;0042;;;;;", "line 5: number has `0042` under label"),
            ("1;number;;;;17;;", "report 1: end has no row: write sent, filed"),
            ("1;end;;;;sent;;\n2;end;;;;sent;;", "report 2: class has no row: write routine, stat"),
        ] {
            let told = parsed(&format!("{row}\n")).expect_err(row);
            assert!(told.starts_with(why), "{told}");
        }
        let whole = format!("{HEAD}{SAID}1;end;;;;sent;;\n");
        assert!(Truth::parse(&whole, "00ff").is_ok());
        for (from, to, why) in [
            ("00ff;;\n", ";;\n", "line 2: capture is empty: write the first 16 digits"),
            (";capture;;;;00ff;;\n", "", "capture has no row: write the first 16 digits"),
            ("00ff", "1.2E+15", "line 2: capture is `1.2E+15`, and this one is `00ff`"),
            ("A. Vidal", "", "line 3: read-by is empty: write the name"),
            (";read-by;;;;A. Vidal;;\n", "", "read-by has no row: write the name"),
        ] {
            let told = Truth::parse(&whole.replace(from, to), "00ff").expect_err(from);
            assert!(told.starts_with(why), "{told}");
        }
    }
}
