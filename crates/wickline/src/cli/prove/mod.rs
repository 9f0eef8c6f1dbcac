//! `prove`: the whole matrix of a strip through the real way, as a table to sign.

mod instrument;
pub(super) mod one;
mod open;
mod page;
mod room;
mod send;
mod sum;
mod truth;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use serde::Serialize;
use serde_json::json;
use wickline_normalize::units::Units;
use wickline_normalize::{Reason, Role};

use self::page::Captured;
use self::sum::Sum;
use self::truth::Kept;
use super::output::{Output, Tone, plain, visible};
use super::{Answer, As, Exit, Failure, faults, file, loaded};
use crate::clock;
use crate::prove::against::Held;
use crate::prove::facts::{Fact, Facts};
use crate::prove::files::{self, shipped};
use crate::prove::map::Map;
use crate::prove::paper::{Comparison, compare, csv};
use crate::prove::press::Press;
use crate::prove::sheet::{Habits, Sheet};
use crate::prove::signs::{Class, Sign, Signs};
use crate::prove::wishes::Wishes;
use crate::prove::{Row, Trial, Verdict, reports};
use crate::settings::bench::{Analyzer, Bench, Target};
use crate::settings::{self, Loaded};
use crate::store::ledger::Ledger;

/// `wickline prove --html proof.html --csv proof.csv`
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Options {
    #[command(subcommand)]
    part: Option<Part>,
    /// Whose dialect and strips [default: the first analyzer]
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
    /// For which receiver [default: the first that takes the analyzer's results]
    #[arg(long, value_name = "ID")]
    receiver: Option<String>,
    /// A good capture, the first one to print from; a truth beside it is held against what is read. Needed where the
    /// dialect is a file of your own
    #[arg(long, value_name = "FILE")]
    capture: Vec<PathBuf>,
    /// Write the table to sign as a page
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Write the table as CSV
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Send each message to the receiver as a test message (MSH-11 T), past the queue; the trail says so
    #[arg(long)]
    send: bool,
    /// With --send: the receiver is a system in use, and the laboratory there knows of the test messages
    #[arg(long, requires = "send")]
    not_a_test_system: bool,
    /// Accept something that is not proved, with the reason, which stands on the page: class-stat="none is done"
    #[arg(long, value_name = "ID=REASON")]
    accept: Vec<String>,
    /// Show every case that is not as it was in an older CSV
    #[arg(long, value_name = "OLD.csv")]
    compare: Option<PathBuf>,
    #[command(flatten)]
    who: As,
}

/// What else there is to do for a proof.
#[derive(Debug, Subcommand)]
enum Part {
    /// Type what stands on the paper of a capture: the proof holds it against what is read and sent
    Truth(truth::Options),
}

/// What a proof is about, and what came of it.
struct Proof {
    analyzer: String,
    receiver: String,
    dialect: String,
    strips: Vec<String>,
    prints: &'static str,
    sends: &'static str,
    fingerprint: String,
    /// What the fingerprint is of.
    facts: Facts,
    notes: Vec<String>,
    gaps: Vec<Gap>,
    rows: Vec<Row>,
    maps: Vec<Map>,
    /// How each class shows on the print.
    classes: Vec<(&'static str, String)>,
    captures: Vec<Captured>,
    /// Strip lots that the capture names.
    lots: Vec<String>,
    /// What a person typed from the paper, held against what was read and sent.
    typed: Vec<Held>,
}

/// Something that this proof does not show. It is no whole proof until somebody says why that is enough.
#[derive(Clone, Debug, Serialize)]
struct Gap {
    /// What `--accept` calls it: `class-stat`, `capture-2`.
    id: String,
    text: String,
    /// Why it is accepted; None: it is not.
    accepted: Option<String>,
}

impl Gap {
    fn new(id: impl Into<String>, text: impl Into<String>) -> Gap {
        Gap { id: id.into(), text: text.into(), accepted: None }
    }

    /// Without the reason that somebody gave for accepting it.
    fn told(&self) -> String {
        let word = if self.accepted.is_some() { "not proved" } else { "NOT PROVED" };
        format!("{word}, {}: {}", self.id, self.text)
    }

    /// In one line, for the screen.
    fn line(&self) -> String {
        let accepted = self.accepted.as_ref().map(|why| format!(" Accepted: {why}"));
        self.told() + &accepted.unwrap_or_default()
    }
}

impl Proof {
    /// Takes what a person accepts, `ID=REASON` each. The error names what there is.
    fn accept(&mut self, texts: &[String]) -> Result<(), Failure> {
        for text in texts {
            let (id, why) = text.split_once('=').unwrap_or((text, ""));
            let known: Vec<String> = self.gaps.iter().map(|gap| gap.id.clone()).collect();
            let listed = if known.is_empty() { "nothing".into() } else { known.join(", ") };
            let wrong = |what: String| {
                Err(Failure::wrong(format!("--accept {}: {what}: {listed}", visible(text))))
            };
            if why.trim().is_empty() {
                return wrong("write ID=REASON; open are".into());
            }
            let Some(gap) = self.gaps.iter_mut().find(|gap| gap.id == id.trim()) else {
                return wrong(format!("{} is not open here; open are", visible(id.trim())));
            };
            gap.accepted = Some(why.trim().to_owned());
        }
        Ok(())
    }
}

pub async fn prove(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    if let Some(Part::Truth(options)) = &options.part {
        return truth::truth(config, options, out);
    }
    let loaded = as_tests(loaded(config)?);
    let bench = Bench::build(&loaded).map_err(faults)?;
    let (analyzer, target) =
        parties(&bench, [options.analyzer.as_deref(), options.receiver.as_deref()])?;
    let old = match &options.compare {
        Some(path) => Some(read_text(path)?),
        None => None,
    };
    let captures =
        options.capture.iter().map(|path| Kept::read(path)).collect::<Result<Vec<_>, _>>()?;
    let mut proof = proof(&loaded, &bench, analyzer, target, &captures)?;
    instrument::of(&bench, analyzer, &mut proof).await;
    proof.accept(&options.accept)?;
    let mut reached = Ok(());
    if options.send {
        send::agreed(&loaded, &bench, &proof, options.not_a_test_system, out)?;
        // Noted before anything leaves: what cannot be noted is not sent.
        let ledger = Ledger::existing(bench.ledger.clone()).await?;
        let actor = options.who.actor(&bench.people)?;
        ledger.note(&actor, send::sending(&proof)).await?;
        reached = send::send(target, &mut proof.rows).await;
        ledger.note(&actor, send::answered(&proof)).await?;
    }
    let changes = match &old {
        None => None,
        Some(text) => Some(compare(text, &proof.rows, &proof.facts).map_err(|why| {
            let path = options.compare.as_deref().unwrap_or(Path::new("")).display();
            Failure::wrong(format!("{path} is no CSV of `wickline prove`: {why}"))
        })?),
    };
    let sum = Sum::of(&proof, changes.as_ref(), reached.is_ok());
    if let Some(path) = &options.html {
        file::write(path, &page::page(&bench, &proof, &sum, options.send)?)?;
    }
    if let Some(path) = &options.csv {
        file::write(path, &csv(&proof.rows, &proof.facts, &proof.fingerprint))?;
    }
    show(&proof, &sum, changes.as_ref(), out)?;
    reached?;
    Ok(if sum.whole { Exit::Done } else { Exit::NotClean })
}

/// Whatever leaves a proof is a test, and no final result where somebody could act on it.
fn as_tests(mut loaded: Loaded) -> Loaded {
    for receiver in &mut loaded.settings.receiver {
        receiver.processing = "T".into();
        if !receiver.test_system && receiver.status == "final" {
            receiver.status = "preliminary".into();
        }
    }
    loaded
}

/// The keys of an analyzer, or of the first.
fn keys_of<'a>(
    loaded: &'a Loaded,
    id: Option<&str>,
) -> Result<&'a settings::AnalyzerKeys, Failure> {
    let mut all = loaded.settings.analyzer.iter();
    let found = all.find(|analyzer| id.is_none_or(|id| analyzer.id == id));
    found.ok_or_else(|| Failure::wrong("no such analyzer is configured"))
}

fn parties<'a>(
    bench: &'a Bench,
    [analyzer, receiver]: [Option<&str>; 2],
) -> Result<(&'a Analyzer, &'a Target), Failure> {
    let analyzer = match analyzer {
        Some(id) => bench.analyzers.iter().find(|a| a.id == *id),
        None => bench.analyzers.first(),
    };
    let analyzer = analyzer.ok_or_else(|| Failure::wrong("no such analyzer is configured"))?;
    let mut targets = bench.targets_of(&analyzer.id, Role::Patient);
    let target = match receiver {
        Some(id) => targets.find(|t| t.id == *id),
        None => targets.next(),
    };
    let target = target.ok_or_else(|| {
        Failure::wrong(format!("no such receiver takes the results of analyzer `{}`", analyzer.id))
    })?;
    Ok((analyzer.as_ref(), target.as_ref()))
}

/// Tries the whole matrix of each strip of the analyzer.
fn proof(
    loaded: &Loaded,
    bench: &Bench,
    analyzer: &Analyzer,
    target: &Target,
    captures: &[Kept],
) -> Result<Proof, Failure> {
    truth::strips_known(captures, &analyzer.strips)?;
    let raw = keys_of(loaded, Some(&analyzer.id))?;
    let receiver = loaded.settings.receiver.iter().find(|r| r.id == target.id);
    let receiver = receiver.ok_or_else(|| Failure::wrong("no such receiver is configured"))?;
    let (habits, dialect_text) = habits(loaded, raw)?;
    let bytes =
        template(shipped(if habits.framed { "lis02" } else { &raw.dialect }), raw, captures)?;
    let mut press = Press::new(analyzer.dialect.as_ref(), &habits, &bytes)
        .map_err(|why| Failure::wrong(format!("the capture cannot be printed from: {why}")))?;
    press.learn(&bytes);
    captures.iter().skip(1).for_each(|kept| press.learn(&kept.bytes));
    let wishes = Wishes::new(receiver, &loaded.settings.reference, raw.compare_marks);
    let mut notes = Vec::new();
    let mut gaps = open::asked(loaded, raw, analyzer)?;
    let signs = Signs::of(&habits, raw, &press);
    gaps.extend(unsigned(raw, &signs, &mut notes));
    let series = series();
    let prints = if raw.units == "si" { "si" } else { "conventional" };
    let (lots, labels) = printed(analyzer, &bytes);
    let (mut rows, mut maps, mut proved) = (Vec::new(), Vec::new(), Vec::new());
    let sheets = raw.all_strips().map(|name| sheet(loaded, name)).collect::<Result<Vec<_>, _>>()?;
    let facts = facts(loaded, raw, dialect_text.as_deref(), &sheets)?;
    for (n, sheet) in sheets.iter().enumerate() {
        let sheet = sheet.clone().printed(raw.units == "si");
        let press = press.with_strip(&sheet.id);
        let trial = Trial {
            bench,
            analyzer,
            target,
            sheet: &sheet,
            habits: &habits,
            wishes: &wishes,
            press: &press,
            prints_si: raw.units == "si",
            series: &series,
        };
        // A capture is what it is, whichever strip is on trial.
        if n == 0 {
            gaps.extend(held_captures(&trial, captures));
        }
        proved.extend(truth::held(&trial, captures, n == 0));
        notes.extend(measured(&sheet));
        let own = trial.matrix(&signs.shown, rows.len()).map_err(Failure::wrong)?;
        let holds =
            trial.holds(&signs.shown, &own, rows.len() + own.len()).map_err(Failure::wrong)?;
        rows.extend(own.into_iter().chain(holds));
        let reference = |id: &str| loaded.settings.reference.get(id).cloned();
        maps.push(Map::new(&sheet, &rows, prints, &labels, reference));
    }
    gaps.extend(truth::gaps(&proved, &signs, prints));
    gaps.extend(open::words(&habits, &sheets, usize::from(raw.units == "si"), &proved));
    gaps.extend(open::ends(&sheets, usize::from(raw.units == "si"), &proved));
    if dialect_text.is_some() && !habits.framed {
        gaps.extend(open::numbers(analyzer, &habits, captures));
    }
    Ok(Proof {
        analyzer: analyzer.id.clone(),
        receiver: target.id.clone(),
        dialect: raw.dialect.clone(),
        strips: analyzer.strips.iter().map(|s| s.id.clone()).collect(),
        prints,
        sends: if target.choice.units == Units::Si { "si" } else { "conventional" },
        fingerprint: facts.fingerprint(),
        facts,
        notes,
        gaps,
        rows,
        maps,
        classes: classes(&signs.shown, &habits),
        captures: captured(raw, captures, &bytes),
        lots,
        typed: proved.into_iter().flat_map(|one| one.lines).collect(),
    })
}

/// The bytes that cases are printed from.
fn template(
    own: Option<&'static [u8]>,
    raw: &settings::AnalyzerKeys,
    captures: &[Kept],
) -> Result<Vec<u8>, Failure> {
    match (captures.first(), own) {
        (Some(kept), _) => Ok(kept.bytes.clone()),
        (None, Some(bytes)) => Ok(bytes.to_vec()),
        (None, None) => {
            let why = format!(
                "dialect `{}` is a file: give --capture FILE with a good report of this analyzer to print from",
                raw.dialect
            );
            Err(Failure::wrong(why))
        }
    }
}

/// Pads without a ladder: a few of their numbers are proved.
fn measured(sheet: &Sheet) -> impl Iterator<Item = String> {
    sheet.pads.iter().filter(|pad| pad.measured.is_some()).map(|pad| {
        let numbers: Vec<&str> = pad
            .rungs
            .iter()
            .flat_map(|rung| rung.labels.iter().flatten())
            .map(String::as_str)
            .collect();
        format!(
            "{} measures and has no ladder: proved with a few numbers, {}.",
            pad.id,
            numbers.join(", ")
        )
    })
}

/// What a proof speaks of: the configuration, the dialect's file and those of the strips.
fn facts(
    loaded: &Loaded,
    raw: &settings::AnalyzerKeys,
    dialect: Option<&str>,
    sheets: &[Sheet],
) -> Result<Facts, Failure> {
    let mut facts = configured(loaded);
    if let Some(text) = dialect {
        facts.add_file("dialect", &raw.dialect, text).map_err(Failure::wrong)?;
    }
    // A strip that several go on from is told once.
    let mut told = BTreeSet::new();
    for sheet in sheets {
        for (id, text) in sheet.texts.iter().filter(|one| told.insert(*one)) {
            facts.add_file("strip", id, text).map_err(Failure::wrong)?;
        }
    }
    Ok(facts)
}

/// The captures as the page has them.
fn captured(raw: &settings::AnalyzerKeys, captures: &[Kept], printed: &[u8]) -> Vec<Captured> {
    if captures.is_empty() {
        let name = format!("a capture of {} that comes with the program", raw.dialect);
        return vec![Captured::new(&name, printed)];
    }
    captures.iter().map(|kept| Captured::new(&kept.name, &kept.bytes)).collect()
}

/// Reports of what was given as good that are held, but those that a person said would be for what is true of the strip
/// itself: what dialect, strip or configuration make of a print stays open, whoever says the same.
fn held_captures(trial: &Trial<'_>, captures: &[Kept]) -> Vec<Gap> {
    let mut gaps = Vec::new();
    for (k, kept) in captures.iter().enumerate() {
        let typed = |n: usize| kept.truth.as_ref().and_then(|truth| truth.reports.get(n - 1));
        for (n, reasons, mut why) in trial.held_of(&kept.bytes) {
            if typed(n).is_some_and(|report| report.end.starts_with("held")) {
                let ours =
                    |code: &&String| !code.parse().is_ok_and(|r: Reason| !r.is_of_our_reading());
                let ours: Vec<&str> = reasons.iter().filter(ours).map(String::as_str).collect();
                if ours.is_empty() {
                    continue;
                }
                why += &format!(
                    " That the truth says so too shows nothing: {} is mended in dialect, strip or configuration.",
                    ours.join(", ")
                );
            }
            let id = if k == 0 { format!("capture-{n}") } else { format!("capture-{}-{n}", k + 1) };
            gaps.push(Gap::new(id, why));
        }
    }
    gaps
}

/// Strip lots and labels that a capture's reports have, each once.
fn printed(analyzer: &Analyzer, capture: &[u8]) -> (Vec<String>, Vec<String>) {
    let reports = reports(analyzer.dialect.as_ref(), capture);
    let (mut lots, mut labels) = (BTreeSet::new(), BTreeSet::new());
    for report in reports {
        lots.extend(report.strip_lot);
        labels.extend(report.readings.iter().map(|reading| reading.label.to_string()));
    }
    (lots.into_iter().collect(), labels.into_iter().collect())
}

/// Each class with the signs that were printed for it, and the marks beside a result.
fn classes(signs: &[(Class, Sign)], habits: &Habits) -> Vec<(&'static str, String)> {
    let of = |class: Class| {
        let own =
            signs.iter().filter(|(known, _)| *known == class).map(|(_, sign)| sign.what.as_str());
        (class.word(), own.filter(|what| !what.is_empty()).collect::<Vec<_>>().join(", "))
    };
    let marks = habits.marks.iter().map(|(mark, meaning)| format!("{mark} {meaning}"));
    let marks = ("marks", marks.collect::<Vec<_>>().join(", "));
    let all = [of(Class::Stat), of(Class::Control), marks];
    all.into_iter().filter(|(_, what)| !what.is_empty()).collect()
}

/// The program, and the configuration as its values take effect: comments and defaults written out change nothing.
fn configured(loaded: &Loaded) -> Facts {
    let mut facts = Facts::default();
    let version = env!("CARGO_PKG_VERSION").to_owned();
    facts.add(Fact { what: "version".into(), place: "wickline".into(), value: version });
    let mut table = settings::with_defaults(&loaded.text);
    for name in ["store", "console", "watch", "alarm"] {
        table.remove(name);
    }
    // What the environment lays over it.
    if let Ok(site) = toml::Table::try_from(&loaded.settings.site) {
        table.insert("site".into(), site.into());
    }
    facts.add_configuration(&table);
    facts
}

/// What the dialect can print, and its file's text where it has one.
fn habits(
    loaded: &Loaded,
    raw: &settings::AnalyzerKeys,
) -> Result<(Habits, Option<String>), Failure> {
    let text = files::dialect(loaded, &raw.dialect).map_err(Failure::wrong)?;
    let habits = text.as_deref().map_or_else(|| Ok(Habits::lis02()), Habits::read);
    Ok((habits.map_err(Failure::wrong)?, text))
}

fn sheet(loaded: &Loaded, name: &str) -> Result<Sheet, Failure> {
    let text = files::strip(loaded, name).map_err(Failure::wrong)?;
    Sheet::read(&text).map_err(Failure::wrong)
}

fn read_text(path: &Path) -> Result<String, Failure> {
    std::fs::read_to_string(path).map_err(|e| Failure::wrong(format!("{}: {e}", path.display())))
}

/// Classes without a sign, and signs that no case shows.
fn unsigned(raw: &settings::AnalyzerKeys, signs: &Signs, notes: &mut Vec<String>) -> Vec<Gap> {
    let mut gaps = Vec::new();
    if raw.controls == "none" {
        let none = "Control material is not proved: none is run here (controls = \"none\").";
        notes.push(none.into());
    }
    let wanted = [(Class::Stat, "urgent work"), (Class::Control, "control material")];
    for (class, what) in wanted {
        let run = class == Class::Stat || raw.controls != "none";
        if run && !signs.has(class) {
            let text = format!("No sign of {what} is configured, and the dialect has none.");
            gaps.push(Gap::new(format!("class-{}", class.word()), text));
        }
    }
    let unshown = signs.unshown.iter().enumerate();
    gaps.extend(
        unshown.map(|(n, (_, text))| Gap::new(format!("sign-{}", n + 1), format!("{text}."))),
    );
    gaps
}

/// Six letters that no other run has: seconds since 1970 in base 36.
fn series() -> String {
    let mut seconds = clock::now_us() / 1_000_000;
    let mut letters = Vec::new();
    for _ in 0..6 {
        let digit = u32::try_from(seconds % 36).unwrap_or(0);
        letters.push(char::from_digit(digit, 36).unwrap_or('0').to_ascii_uppercase());
        seconds /= 36;
    }
    letters.iter().rev().collect()
}

fn show(
    proof: &Proof,
    sum: &Sum,
    changes: Option<&Comparison>,
    out: &Output,
) -> std::io::Result<()> {
    if out.json {
        return out.document(&json!({
            "analyzer": proof.analyzer,
            "receiver": proof.receiver,
            "dialect": proof.dialect,
            "strips": proof.strips,
            "fingerprint": proof.fingerprint,
            "as_expected": sum.as_expected,
            "differs": sum.differs,
            "not_printable": sum.not_printable,
            "sum": sum,
            "notes": proof.notes,
            "not_proved": proof.gaps,
            "typed": proof.typed,
            "changes": changes.map(|c| &c.cases),
            "changed_facts": changes.map(|c| &c.facts),
            "cases": proof.rows,
        }));
    }
    for gap in &proof.gaps {
        out.line(&gap.line());
    }
    let untrue: Vec<_> = proof.typed.iter().filter(|one| one.differs).map(page::cells).collect();
    if !untrue.is_empty() {
        out.table(&["capture", "report", "what", "on the paper", "read or sent"], &untrue);
    }
    let rows: Vec<_> = proof.rows.iter().filter(|r| r.verdict != Verdict::AsExpected).collect();
    if !rows.is_empty() {
        let cells = |r: &&Row| {
            let tone = if r.verdict == Verdict::Differs { Tone::Bad } else { Tone::Quiet };
            let verdict = (r.verdict.word().to_owned(), tone);
            let sent = if r.remark.is_empty() { r.sent_text() } else { r.remark.clone() };
            vec![
                plain(r.case.clone()),
                plain(r.printed.clone()),
                plain(r.expected.to_string()),
                plain(sent),
                plain(r.answered.clone()),
                verdict,
            ]
        };
        let rows: Vec<_> = rows.iter().map(cells).collect();
        out.table(&["case", "printed", "expected", "sent", "answered", "verdict"], &rows);
    }
    if let Some(changes) = changes {
        let none = ["the old proof carries no facts: its cases alone are compared".to_owned()];
        changes.facts.as_deref().unwrap_or(&none).iter().for_each(|line| out.line(line));
    }
    for change in changes.into_iter().flat_map(|c| &c.cases) {
        out.line(&format!("{} {}", change.how, change.case));
        for (column, before, now) in &change.columns {
            out.line(&format!("    {column}: {before} -> {now}"));
        }
    }
    for note in &proof.notes {
        out.line(note);
    }
    out.line(&format!(
        "{} {} -> {}: {}; {}; fingerprint {}",
        proof.analyzer,
        proof.strips.join(", "),
        proof.receiver,
        sum.words(),
        sum.verdict(),
        proof.fingerprint
    ));
    Ok(())
}
