//! The strip of a draft: the pads that were seen, with the grades and numbers that were seen on each.
//!
//! Codes and conversions are the program's own; no rung is, but where a ladder would have fewer than two: that one is
//! asked about. A label in the other unit system is calculated, which is a question as well: inserts round in their
//! own way.

use std::cmp::Ordering;
use std::collections::BTreeSet;

use wickline_normalize::strip::{Kind, Pad};
use wickline_normalize::units::Property;
use wickline_normalize::{Figure, Flag, PrintedReading, Strip, Text, Units};

use super::trial::{Trial, pad_of};
use super::words;
use super::write::{Page, few, list, text};

/// Grades in the order of every ladder.
const ORDER: &[&str] = &["NEG", "NORM", "TR", "0.5+", "1+", "2+", "3+", "4+", "5+", "POS"];
const PROPERTIES: &[Property] = &[
    Property::Presence,
    Property::Mass,
    Property::Moles,
    Property::Number,
    Property::Units,
    Property::Density,
    Property::Ph,
    Property::Nominal,
    Property::MassRatio,
    Property::Ratio,
];

/// A grade, and a number in the unit system in which it was printed.
type Step = (Option<String>, Option<(Figure, Units)>);

/// What was seen of one pad.
struct Seen {
    pad: &'static Pad,
    labels: BTreeSet<String>,
    units: BTreeSet<String>,
    /// Grade and number of each reading.
    steps: Vec<Step>,
    unknown: BTreeSet<String>,
    /// The reports in which it stands.
    reports: BTreeSet<usize>,
    words: BTreeSet<(String, String)>,
    /// A line that was not placed has one of its labels.
    unplaced: bool,
}

/// The file of a strip that knows what these reports say.
pub(super) fn strip(name: &str, trial: &Trial) -> String {
    let mut seen: Vec<Seen> = Vec::new();
    let mut strange: BTreeSet<String> = BTreeSet::new();
    let all = || {
        trial.reports.iter().map(|(_, report)| report).filter(|report| !report.readings.is_empty())
    };
    for (report, from, reading) in
        all().enumerate().flat_map(|(n, from)| from.readings.iter().map(move |r| (n, from, r)))
    {
        let Some(pad) = pad_of(from, reading) else {
            // A label that was cut is no label: its lines are told as not placed.
            strange.extend(words::pad(&reading.label).is_none().then(|| reading.label.to_string()));
            continue;
        };
        let at = seen.iter().position(|one| one.pad.id == pad.id).unwrap_or(seen.len());
        if at == seen.len() {
            seen.push(Seen::new(pad));
        }
        if let Some(one) = seen.get_mut(at) {
            one.add(reading);
            one.reports.insert(report);
        }
    }
    for one in &mut seen {
        one.unplaced = one.is_named_in(trial);
    }
    let called: BTreeSet<String> =
        trial.reports.iter().filter_map(|(_, report)| report.strip.clone()).collect();
    write(name, &seen, &strange, &called, all().count())
}

/// The unit system in which most numbers of these reports are printed.
pub(super) fn units(trial: &Trial) -> Units {
    let all =
        trial.reports.iter().flat_map(|(_, from)| from.readings.iter().map(move |r| (from, r)));
    let known =
        all.filter_map(|(from, reading)| Some((pad_of(from, reading)?, reading.unit.as_deref()?)));
    let is = |units: Units| {
        let own = |(pad, unit): &(&Pad, &str)| {
            pad.measure(units).is_some_and(|measure| measure.is_spelled(unit))
        };
        known.clone().filter(own).count()
    };
    if is(Units::Si) > is(Units::Conventional) { Units::Si } else { Units::Conventional }
}

fn write(
    name: &str,
    seen: &[Seen],
    strange: &BTreeSet<String>,
    called: &BTreeSet<String>,
    reports: usize,
) -> String {
    let mut page = Page::default();
    page.note("A draft, made from captures by `wickline sketch`: it knows what was seen there and nothing");
    page.note("else. Each line that begins with `# ?` is a question: answer it from the insert of the strips in");
    page.note("use, and delete it. Verify every rung before use.");
    page.line(format!(
        "\nid = {}\nname = {}",
        text(&format!("{name}-strip")),
        text(&format!("{name} (draft)"))
    ));
    if !called.is_empty() {
        page.ask("is this how the print calls the strip?");
        page.line(format!("accepts = {}", list(called)));
    }
    for label in strange {
        page.ask(format!(
            "which pad is {}, if it is one? A [[pad]] with this name lacks",
            few(&[label])
        ));
    }
    shared(seen, &mut page);
    for one in seen {
        // A ladder that the numbers seen do not make is given by its grades alone.
        let loads = |table: &String| {
            let strip = format!("id = \"x\"\nname = \"x\"\n{}{table}", words_of(&[one]));
            Strip::parse(&strip, "the draft").is_ok()
        };
        match [true, false].map(|numbers| one.table(numbers, reports)).into_iter().find(loads) {
            Some(table) => page.line(table),
            None => page.ask(format!(
                "{} was seen, but makes no ladder: write its [[pad]] by the insert",
                one.pad.title
            )),
        }
    }
    page.finish()
}

/// Words that mean one grade on whatever pad they were seen.
fn shared(seen: &[Seen], page: &mut Page) {
    let words = words_of(&seen.iter().collect::<Vec<_>>());
    if !words.is_empty() {
        page.line("");
        page.ask("does each of these words mean this grade?");
        page.line(words.trim_end());
    }
}

fn words_of(seen: &[&Seen]) -> String {
    let all: BTreeSet<&(String, String)> = seen
        .iter()
        .filter(|one| one.pad.kind != Kind::Nominal)
        .flat_map(|one| &one.words)
        .collect();
    let grades: BTreeSet<&String> = all.iter().map(|(grade, _)| grade).collect();
    if grades.is_empty() {
        return String::new();
    }
    let mut out = String::from("[words]\n");
    for grade in grades {
        let own = all.iter().filter(|(known, _)| known == grade).map(|(_, word)| word);
        out += &format!("{} = {}\n", text(grade), list(own));
    }
    out
}

impl Seen {
    fn new(pad: &'static Pad) -> Seen {
        Seen {
            pad,
            labels: BTreeSet::new(),
            units: BTreeSet::new(),
            steps: Vec::new(),
            unknown: BTreeSet::new(),
            reports: BTreeSet::new(),
            words: BTreeSet::new(),
            unplaced: false,
        }
    }

    /// Whether a line that nobody understands names it.
    fn is_named_in(&self, trial: &Trial) -> bool {
        let lines = trial.reports.iter().flat_map(|(_, report)| {
            let open = report.doubts.iter().filter_map(|doubt| doubt.line);
            open.filter_map(|line| report.lines.get(line))
        });
        let all: Vec<&str> = lines.map(|line| line.text.expose()).collect();
        let has =
            |label: &String| all.iter().any(|line| line.split_whitespace().any(|w| w == label));
        self.labels.iter().any(has)
    }

    fn add(&mut self, reading: &PrintedReading) {
        self.labels.insert(reading.label.to_string());
        self.units.extend(reading.unit.iter().map(Text::to_string));
        let mut step = (None, None);
        for part in &reading.parts {
            if let Some(figure) = Figure::read(part) {
                let system = self.system(reading.unit.as_deref());
                step.1 = Some((figure, system));
            } else if let Some(grade) = words::grade_on(self.pad, part) {
                if grade != part.to_uppercase() {
                    self.words.insert((grade.clone(), part.to_string()));
                }
                step.0 = Some(grade);
            } else if !words::is_unread(part) && !words::is_off(part) {
                self.unknown.insert(part.to_string());
            }
        }
        if step != (None, None) && !self.steps.contains(&step) {
            self.steps.push(step);
        }
    }

    /// In which unit system a number is printed, by its unit.
    fn system(&self, unit: Option<&str>) -> Units {
        let is = |units: Units| {
            let measure = self.pad.measure(units);
            unit.is_some_and(|unit| measure.is_some_and(|measure| measure.is_spelled(unit)))
        };
        if !is(Units::Conventional) && is(Units::Si) { Units::Si } else { Units::Conventional }
    }

    fn table(&self, numbers: bool, reports: usize) -> String {
        let mut page = Page::default();
        let pad = self.pad;
        page.line("\n[[pad]]");
        page.ask(format!("is {} {}?", few(&self.labels.iter().collect::<Vec<_>>()), pad.title));
        page.line(format!(
            "id = {}\ntitle = {}\nkind = \"{}\"",
            text(&pad.id),
            text(&pad.title),
            kind(pad.kind)
        ));
        page.line(format!("names = {}", list(&self.labels)));
        if self.reports.len() < reports {
            let count = self.reports.len();
            let told = match self.unplaced {
                true => format!(
                    "it was read in {count} of {reports} reports, and stands in lines that were not placed"
                ),
                false => format!("{count} of {reports} reports have it"),
            };
            page.ask(format!("{told}: is one without it complete (optional = true)?"));
        }
        for (key, units) in [("conventional", Units::Conventional), ("si", Units::Si)] {
            self.measure(key, units, &mut page);
        }
        for (key, automated) in [("automated", true), ("manual", false)] {
            let codes = PROPERTIES.iter().filter(|p| pad.properties().contains(*p)).filter_map(
                |property| {
                    Some(format!(
                        "{} = {}",
                        property.key(),
                        text(&pad.code(*property, automated)?.code)
                    ))
                },
            );
            let codes: Vec<String> = codes.collect();
            if !codes.is_empty() {
                page.line(format!("{key} = {{ {} }}", codes.join(", ")));
            }
        }
        for word in &self.unknown {
            page.ask(format!(
                "which grade is {} here, or does it say that the pad could not be read?",
                few(&[word])
            ));
        }
        self.ladder(numbers, &mut page);
        page.finish().trim_end().to_owned()
    }

    fn measure(&self, key: &str, units: Units, page: &mut Page) {
        let Some(measure) = self.pad.measure(units) else { return };
        let known = |unit: &&String| {
            let is = |units: Units| {
                self.pad.measure(units).is_some_and(|measure| measure.is_spelled(unit))
            };
            is(Units::Conventional) || is(Units::Si)
        };
        let strange: Vec<&String> = self.units.iter().filter(|unit| !known(unit)).collect();
        let spellings = if strange.is_empty() || units == Units::Si {
            String::new()
        } else {
            page.ask(format!("is {} this unit?", few(&strange)));
            format!(", spellings = {}", list(strange))
        };
        page.line(format!("{key} = {{ ucum = {}{spellings} }}", text(measure.unit.ucum)));
    }

    /// The rungs that were seen, lowest first.
    fn ladder(&self, numbers: bool, page: &mut Page) {
        if self.pad.kind == Kind::Nominal {
            return self.names(page);
        }
        let mut rungs: Vec<Step> = Vec::new();
        for (grade, figure) in &self.steps {
            let step = (grade.clone(), figure.clone().filter(|_| numbers));
            // A grade that was seen with its number needs no rung without one.
            let fuller = self.steps.iter().any(|(g, f)| g == grade && f.is_some()) && numbers;
            let known = rungs.contains(&step) || figure.is_none() && fuller;
            if !known {
                rungs.push(step);
            }
        }
        let given = rungs.len();
        self.fill(&mut rungs);
        rungs.sort_by(compared);
        let open = match self.unknown.len() {
            0 => String::new(),
            n => format!(", and {n} more were printed that nobody here understands"),
        };
        page.ask(format!(
            "{given} of its steps were recognised{open}: what are all of them, by the insert? The flags are a guess"
        ));
        if given < rungs.len() {
            page.ask("a ladder has a normal step, and two at least: what lacked of them was not seen and is made up");
        }
        let other =
            |(figure, units): &(Figure, Units)| self.pad.calculated(figure, *units).is_some();
        if numbers && rungs.iter().filter_map(|(_, figure)| figure.as_ref()).any(other) {
            page.ask("the labels of one unit system were not printed but calculated: what does the insert say?");
        } else if !numbers && self.steps.iter().any(|(_, figure)| figure.is_some()) {
            let all: Vec<String> =
                self.steps.iter().filter_map(|(_, f)| Some(f.as_ref()?.0.text())).collect();
            page.ask(format!("which numbers belong to which grade? {} were seen", few(&all)));
        }
        page.line("rungs = [");
        for rung in &rungs {
            page.line(format!("    {{ {} }},", self.rung(rung)));
        }
        page.line("]");
    }

    fn rung(&self, (grade, figure): &Step) -> String {
        let mut parts: Vec<String> =
            grade.iter().map(|grade| format!("grade = {}", text(grade))).collect();
        if let Some((figure, units)) = figure {
            let printed = (*units, figure.text());
            let other =
                self.pad.calculated(figure, *units).map(|made| (units.other(), made.text()));
            for units in [Units::Conventional, Units::Si] {
                let label = std::iter::once(&printed).chain(&other).find(|(own, _)| *own == units);
                parts.extend(label.map(|(_, label)| format!("{} = {}", units.text(), text(label))));
            }
        }
        let flag = match grade.as_deref() {
            None => "range",
            Some("NEG" | "NORM") => "N",
            Some("TR") => "policy",
            Some(_) => "A",
        };
        parts.push(format!("flag = \"{flag}\""));
        parts.join(", ")
    }

    /// Made-up steps for a ladder that shows fewer than two; those of numbers are far off what a print says.
    fn fill(&self, rungs: &mut Vec<Step>) {
        if self.pad.kind == Kind::Stepped {
            return self.fill_numbers(rungs);
        }
        let two_step = self.pad.kind == Kind::TwoStep;
        let has = |rungs: &[Step], codes: &[&str]| {
            rungs.iter().any(|(grade, _)| grade.as_deref().is_some_and(|own| codes.contains(&own)))
        };
        if !has(rungs, &["NEG", "NORM"]) {
            let normal = if self.pad.id == "URO" { "NORM" } else { "NEG" };
            rungs.push((Some(normal.to_owned()), None));
        }
        let further = if two_step { "POS" } else { "1+" };
        if (rungs.len() < 2 || two_step) && !has(rungs, &[further]) {
            // A rung without a number can only be the lowest.
            let units = rungs.iter().find_map(|(_, figure)| Some(figure.as_ref()?.1));
            let made = units.and_then(|units| Some((Figure::read("9999")?, units)));
            rungs.push((Some(further.to_owned()), made));
        }
    }

    fn fill_numbers(&self, rungs: &mut Vec<Step>) {
        let (low, high) = match self.pad.id.as_str() {
            "SG" => ("1.000", "1.060"),
            "PH" => ("4.0", "10.0"),
            _ => ("0", "9999"),
        };
        let only = rungs.first().and_then(|(_, figure)| figure.clone());
        let units = only.as_ref().map_or(Units::Conventional, |(_, units)| *units);
        let made: &[&str] = match &only {
            None => &[low, high],
            Some((own, _)) if own.text().starts_with('>') || own.digits == high => &[low],
            Some(_) => &[high],
        };
        if rungs.len() < 2 {
            let made = made.iter().filter_map(|text| Figure::read(text));
            rungs.extend(made.map(|made| (None, Some((made, units)))));
        }
    }

    /// Names without order, with the words that were seen.
    fn names(&self, page: &mut Page) {
        page.ask("which names does the insert have?");
        page.line("rungs = [");
        for rung in &self.pad.rungs {
            let grade = rung.grade.as_deref().unwrap_or("");
            let flag = match rung.sense.flag() {
                Some(Flag::N) => "N",
                Some(_) => "A",
                None => "policy",
            };
            page.line(format!(
                "    {{ grade = {}, text = {}, flag = \"{flag}\" }},",
                text(grade),
                text(&rung.text)
            ));
        }
        page.line("]");
        for (grade, word) in &self.words {
            page.line(format!("[pad.words]\n{} = {}", text(grade), list([word])));
        }
    }
}

fn kind(kind: Kind) -> &'static str {
    match kind {
        Kind::Graded => "graded",
        Kind::Stepped => "stepped",
        Kind::TwoStep => "two-step",
        Kind::Nominal => "nominal",
        Kind::Measured => "measured",
    }
}

/// By grade, then by number; what has no number stands before what has.
fn compared(one: &Step, other: &Step) -> Ordering {
    let rank = |step: &Step| {
        step.0.as_deref().and_then(|grade| ORDER.iter().position(|known| *known == grade))
    };
    let value = |step: &Step| {
        step.1.as_ref().map(|(figure, _)| (figure.value(), figure.text().starts_with('>')))
    };
    rank(one).cmp(&rank(other)).then_with(|| value(one).cmp(&value(other)))
}
