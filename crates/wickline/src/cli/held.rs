//! `held`: reports that need a person, why, and what lets them go.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::json;
use wickline_normalize::{Reason, Report};

use super::identify;
use super::output::{Output, Tone, plain};
use super::{Answer, As, Desk, Exit, Failure, Why, id};
use crate::acts::again::Difference;
use crate::acts::corrections::Decision;
use crate::sheet::todo::remedy_words;
use crate::store::lists::reports::{Item, Kept, totals};
use crate::store::state::State;
use crate::store::tape::Tape;

/// `wickline held`, `wickline held identify 17 --specimen KP-20417`
#[derive(Debug, Args)]
pub struct Options {
    #[command(subcommand)]
    act: Option<Act>,
    #[command(flatten)]
    who: As,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// One report whole: its print, its readings, why it is held and what would release it
    Show { id: String },
    /// Say whose specimen it is, or that it is control material
    Identify {
        id: String,
        #[arg(long, required_unless_present = "control", conflicts_with = "control")]
        specimen: Option<String>,
        /// The specimen id a second time; at a terminal it is asked for
        #[arg(long, value_name = "SPECIMEN", requires = "specimen")]
        again: Option<String>,
        /// The level of the control material
        #[arg(long, value_name = "LEVEL", value_parser = super::person::words)]
        control: Option<String>,
    },
    /// Send it as it is, with a reason
    Release {
        id: String,
        #[command(flatten)]
        why: Why,
    },
    /// Decide what a report is whose number was used before, or that the analyzer calls a correction
    Decide {
        id: String,
        what: What,
        #[command(flatten)]
        why: Why,
        /// The report that it corrects, where that cannot be told by number or specimen
        #[arg(long, value_name = "ID")]
        of: Option<String>,
    },
    /// Read again from the tape, after the dialect, the strip or the configuration was mended
    Reread {
        #[arg(required_unless_present = "reason")]
        ids: Vec<String>,
        /// Every report held for this reason
        #[arg(long, value_name = "CODE", conflicts_with = "ids")]
        reason: Option<Reason>,
    },
    /// Decide that it is not to be sent, with a reason
    SetAside {
        id: String,
        #[command(flatten)]
        why: Why,
    },
}

/// What a person says that it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum What {
    /// A run of its own: it goes out as any other
    NewRun,
    /// It corrects the earlier report, under whose order number and specimen it goes out
    Correction,
    /// It is set aside
    Mistake,
}

impl What {
    fn decision(self, of: Option<&str>) -> Result<Decision, Failure> {
        match (self, of) {
            (What::Correction, of) => Ok(Decision::Correction { of: of.map(id).transpose()? }),
            (_, Some(_)) => Err(Failure::wrong("`--of` goes with `correction`")),
            (What::NewRun, None) => Ok(Decision::NewRun),
            (What::Mistake, None) => Ok(Decision::Mistake),
        }
    }
}

pub async fn held(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let desk = Desk::open(config).await?;
    let actor = desk.actor(&options.who)?;
    let became = match options.act {
        None => return list(&desk, out).await,
        Some(Act::Show { id }) => return show(&desk, &id, out).await,
        Some(Act::Identify { id: text, specimen: Some(specimen), again, .. }) => {
            let n = id(&text)?;
            let how = identify::confirmed(&desk, n, &specimen, again.as_deref(), out).await?;
            desk.ledger.report_identify(&desk.bench, &actor, n, &specimen, how).await?
        }
        Some(Act::Identify { id: text, control, .. }) => {
            let level = control.unwrap_or_default();
            desk.ledger.report_is_control(&desk.bench, &actor, id(&text)?, &level).await?
        }
        Some(Act::Release { id: text, why }) => {
            let reason = desk.reason(&why, out)?;
            desk.ledger.report_release(&desk.bench, &actor, id(&text)?, &reason).await?
        }
        Some(Act::Decide { id: text, what, why, of }) => {
            let reason = desk.reason(&why, out)?;
            let (n, decision) = (id(&text)?, what.decision(of.as_deref())?);
            desk.ledger.report_decide(&desk.bench, &actor, n, decision, &reason).await?
        }
        Some(Act::SetAside { id: text, why }) => {
            let reason = desk.reason(&why, out)?;
            desk.ledger.report_set_aside(&actor, id(&text)?, &reason).await?
        }
        Some(Act::Reread { ids, reason }) => return reread(&desk, &actor, &ids, reason, out).await,
    };
    tell(out, &became)?;
    Ok(Exit::Done)
}

fn tell(out: &Output, became: &[(i64, String)]) -> std::io::Result<()> {
    if out.json {
        let items: Vec<_> =
            became.iter().map(|(n, state)| json!({"id": n.to_string(), "state": state})).collect();
        return out.document(&json!({ "items": items }));
    }
    for (n, state) in became {
        out.line(&format!("report {n} is now {state}"));
    }
    Ok(())
}

async fn reread(
    desk: &Desk,
    actor: &crate::store::trail::Actor,
    ids: &[String],
    reason: Option<Reason>,
    out: &Output,
) -> Answer {
    let mut wanted = ids.iter().map(|t| id(t)).collect::<Result<Vec<_>, _>>()?;
    if let Some(reason) = reason {
        let held = desk.ledger.held(desk.clock()).await?;
        let named = |i: &&Item| i.holds.iter().any(|h| !h.cleared && h.reason == reason.code());
        wanted.extend(held.iter().filter(named).filter_map(|i| i.id.parse::<i64>().ok()));
    }
    let tape = Tape::look(&desk.bench.tape).await?;
    let mut done = Vec::new();
    for n in wanted {
        done.push(desk.ledger.report_reread(&desk.bench, &tape, actor, n).await?);
    }
    if out.json {
        let items: Vec<_> = done
            .iter()
            .map(|r| {
                json!({"id": r.n.to_string(), "state": r.state.text(), "differences": r.differences})
            })
            .collect();
        out.document(&json!({ "items": items }))?;
    }
    for reread in &done {
        out.line(&format!("report {} is now {}", reread.n, reread.state));
        for one in &reread.differences {
            out.line(&format!("    {}: {} -> {}", one.what, one.before, one.after));
        }
    }
    if done.is_empty() {
        out.line("no report is held for that reason");
    }
    let still = done.iter().any(|r| r.state == State::Held);
    Ok(if still { Exit::NotClean } else { Exit::Done })
}

async fn list(desk: &Desk, out: &Output) -> Answer {
    let items = desk.ledger.held(desk.clock()).await?;
    if out.json {
        let sums = totals(items.iter().map(|i| i.state.as_str()));
        out.document(&json!({"items": items, "totals": sums}))?;
    } else if items.is_empty() {
        out.line("nothing is held");
    } else {
        let rows: Vec<_> = items
            .iter()
            .map(|i| {
                vec![
                    plain(&i.id),
                    plain(&i.analyzer),
                    plain(i.number.as_deref().unwrap_or("-")),
                    plain(&i.class),
                    plain(i.specimen.as_deref().unwrap_or("-")),
                    (i.reason.clone().unwrap_or_default(), Tone::Bad),
                    plain(i.detail.as_deref().unwrap_or("")),
                ]
            })
            .collect();
        out.table(&["id", "analyzer", "number", "class", "specimen", "reason", "detail"], &rows);
        out.line("`wickline held show ID` shows one whole, and what lets it go");
    }
    Ok(if items.is_empty() { Exit::Done } else { Exit::NotClean })
}

async fn show(desk: &Desk, text: &str, out: &Output) -> Answer {
    let Some(kept) = desk.ledger.report(id(text)?, desk.clock()).await? else {
        return Err(Failure::wrong(format!(
            "there is no report {text}; `wickline held` lists them"
        )));
    };
    let print: Report = serde_json::from_str(&kept.print).unwrap_or_default();
    let lines: Vec<&str> = print.lines.iter().map(|l| l.text.expose()).collect();
    let beside = match kept.item.state.as_str() {
        "held" => desk.ledger.side_by_side(id(text)?).await?,
        _ => None,
    };
    if out.json {
        let mut value = serde_json::to_value(&kept.item).unwrap_or_default();
        value["lines"] = json!(lines);
        value["readings"] = serde_json::from_str(&kept.readings).unwrap_or_default();
        if let Some((earlier, rows)) = &beside {
            value["beside"] = json!({"id": earlier.to_string(), "readings": rows});
        }
        out.document(&value)?;
    } else {
        print_report(&kept, &lines, out);
        if let Some((earlier, rows)) = &beside {
            print_beside(*earlier, &kept.item.id, rows, out);
        }
    }
    Ok(if kept.item.state == "held" { Exit::NotClean } else { Exit::Done })
}

fn print_report(kept: &Kept, lines: &[&str], out: &Output) {
    let item = &kept.item;
    let dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".into());
    out.line(&format!(
        "report {}   {} number {}   {}   specimen {}   {}",
        item.id,
        item.analyzer,
        dash(&item.number),
        item.class,
        dash(&item.specimen),
        item.state
    ));
    out.line(&format!("taken {}   heard {}", dash(&item.taken_at), dash(&item.heard_at)));
    for (number, line) in lines.iter().enumerate() {
        out.line(&format!("{:>4} | {line}", number + 1));
    }
    for hold in &item.holds {
        let line = hold.line.map_or(String::new(), |l| format!(" (line {})", l + 1));
        let cleared = if hold.cleared { " [cleared]" } else { "" };
        out.line(&format!("{}{line}{cleared}: {}", hold.reason, hold.detail));
        if let (Ok(reason), false) = (hold.reason.parse::<Reason>(), hold.cleared) {
            out.line(&format!("      what lets it go: {}", remedy_words(reason, &item.id)));
        }
    }
    if let Some(earlier) = &item.corrects {
        out.line(&format!("corrects report {earlier}"));
    }
    for delivery in &item.deliveries {
        let amends = delivery.amends.as_deref().map_or(String::new(), |a| format!(" ({a})"));
        out.line(&format!(
            "{} {} {}{amends}",
            delivery.receiver, delivery.control_id, delivery.state
        ));
    }
}

/// Two prints of one number: what went out, and what is held.
fn print_beside(earlier: i64, own: &str, rows: &[Difference], out: &Output) {
    let table: Vec<_> = rows
        .iter()
        .map(|row| {
            let tone = if row.before == row.after { Tone::Plain } else { Tone::Bad };
            vec![(row.what.clone(), tone), (row.before.clone(), tone), (row.after.clone(), tone)]
        })
        .collect();
    let (before, after) = (format!("report {earlier}, sent"), format!("report {own}, held"));
    out.table(&["analyte", &before, &after], &table);
}
