//! How a simulated analyzer prints one strip: as LIS02 records, or as the two-column printout.

use wickline_normalize::Moment;
use wickline_normalize::strip::{Kind, Pad, Rung, Strip};
use wickline_normalize::units::Units;

use super::script::{Class, Fault, Run, Script};

/// One pad as it is printed.
struct Result {
    label: String,
    grade: String,
    value: String,
    unit: String,
    abnormal: bool,
}

/// The pads of a run in the strip's order, with what the script wants wrong.
fn results(strip: &Strip, run: &Run) -> Vec<Result> {
    let mut list = Vec::new();
    let mut pads = strip.pads.iter().filter(|p| !p.optional || run.rungs.contains_key(&p.id));
    if run.fault == Fault::PadMissing {
        pads.next();
    }
    for pad in pads {
        let rung = run.rungs.get(&pad.id).copied().unwrap_or_else(|| usual(pad));
        let rung = &pad.rungs[rung.min(pad.rungs.len() - 1)];
        list.push(result(pad, rung, run.fault));
    }
    match (run.fault, list.first_mut()) {
        (Fault::UnknownLabel, Some(first)) => first.label = "XYZ".into(),
        (Fault::PadUnread, Some(first)) => {
            (first.grade, first.value, first.unit) = ("???".into(), String::new(), String::new());
        }
        _ => {}
    }
    list
}

/// The lowest rung, but the middle of a scale that has no lowest normal one.
fn usual(pad: &Pad) -> usize {
    if pad.kind == Kind::Stepped { pad.rungs.len() / 2 } else { 0 }
}

fn result(pad: &Pad, rung: &Rung, fault: Fault) -> Result {
    let figure = rung.label(Units::Conventional);
    let mut value = figure.map_or(String::new(), wickline_normalize::figure::Figure::text);
    let mut unit = match (figure, pad.measure(Units::Conventional)) {
        (Some(_), Some(measure)) if !measure.unit.goes_without_saying() => {
            measure.unit.text.to_owned()
        }
        _ => String::new(),
    };
    if pad.id == "GLU" && !value.is_empty() {
        match fault {
            Fault::WrongUnit => unit = "mmol/L".into(),
            Fault::OffLadder => value = "137".into(),
            _ => {}
        }
    }
    Result {
        label: pad.id.clone(),
        grade: rung.grade.clone().unwrap_or_default(),
        value,
        unit,
        abnormal: rung.sense.flag() == Some(wickline_normalize::Flag::A),
    }
}

/// H to L, each record without its CR.
#[must_use]
pub fn lis02(strip: &Strip, script: &Script, run: &Run, now: Moment) -> Vec<Vec<u8>> {
    let taken = run.taken_at(now).digits();
    let control = run.class == Class::Control;
    let priority = if run.class == Class::Stat { "S" } else { "R" };
    let action = if control { "Q" } else { "N" };
    let mut records = vec![
        format!(
            "H|\\^&|||{}|||||LIS||{}|LIS2-A2|{taken}",
            script.sender,
            if control { "Q" } else { "P" }
        ),
        "P|1".to_owned(),
        format!(
            "O|1|{}|{}|^^^UA|{priority}||||||{action}||||UR||||||||||F",
            run.specimen, run.number
        ),
    ];
    for (index, r) in results(strip, run).iter().enumerate() {
        let text = [r.grade.as_str(), r.value.as_str()];
        let text: Vec<&str> = text.into_iter().filter(|t| !t.is_empty()).collect();
        let mark = if r.abnormal && !control { "A" } else { "" };
        let number = index + 1;
        let (label, text, unit) = (&r.label, text.join("^"), &r.unit);
        records.push(format!("R|{number}|^^^{label}|{text}|{unit}||{mark}||F||||{taken}"));
    }
    records.push("L|1|N".to_owned());
    records.into_iter().map(String::into_bytes).collect()
}

/// The printout that `config/dialects/two-column.toml` describes.
#[must_use]
pub fn two_column(strip: &Strip, run: &Run, now: Moment) -> Vec<u8> {
    let taken = run.taken_at(now);
    let (hour, minute) = taken.time.unwrap_or((0, 0));
    let mut text = format!(
        "KESTREL POINT CLINIC\r\nNo. {}\r\nID {}\r\n{:04}-{:02}-{:02} {hour:02}:{minute:02}:{:02}\r\n",
        run.number,
        run.specimen,
        taken.year,
        taken.month,
        taken.day,
        taken.second.unwrap_or(0)
    );
    match run.class {
        Class::Routine => {}
        Class::Stat => text.push_str("URGENT\r\n"),
        Class::Control => text.push_str("CONTROL\r\n"),
    }
    for r in results(strip, run) {
        let mark = if r.abnormal && run.class != Class::Control { " *" } else { "" };
        let line = format!("{:<6}{:<6}{:>5} {}", r.label, r.grade, r.value, r.unit);
        text.push_str(line.trim_end());
        text.push_str(mark);
        text.push_str("\r\n");
    }
    text.push_str("\r\n");
    text.into_bytes()
}
