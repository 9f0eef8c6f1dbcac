//! `held`: reports that need a person, why, and what lets them go.

mod done;
pub mod identify;
mod page;
mod release;
mod waiting;

use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::json;
use wickline_normalize::Reason;

use self::done::Done;
use super::output::Output;
use super::status::elsewhere;
use super::{Answer, As, Desk, Exit, Failure, Why, id};
use crate::acts::decide::Decision;
use crate::acts::door;
use crate::acts::identify::Material;
use crate::sheet::now::About;
use crate::store::lists::reports::AskedHeld;
use crate::store::state::ReportState;
use crate::store::tape::Tape;
use crate::store::trail::Actor;
use crate::views::held as view;

/// `wickline held`, `wickline held identify 17 --specimen KP-20417`
#[derive(Debug, Args)]
pub struct Options {
    #[command(subcommand)]
    act: Option<Act>,
    /// At most so many, urgent ones first [default: 40 for people, 1000 with --json]
    #[arg(long, value_parser = clap::value_parser!(i64).range(0..=100_000))]
    limit: Option<i64>,
    /// Only those after this report: the next page
    #[arg(long, value_name = "ID")]
    after: Option<String>,
    #[command(flatten)]
    who: As,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// One report whole: its print with its readings in words, why it is held and what would release it
    Show { id: String },
    /// Say whose specimen it is, or that it is control material. At a terminal it asks
    Identify {
        #[arg(required_unless_present = "from")]
        id: Option<String>,
        #[arg(long, conflicts_with = "control")]
        specimen: Option<String>,
        /// The specimen id a second time; at a terminal it is asked for
        #[arg(long, value_name = "SPECIMEN", requires = "specimen")]
        again: Option<String>,
        /// The level of the control material
        #[arg(long, value_name = "LEVEL", value_parser = super::person::words)]
        control: Option<String>,
        /// The level a second time; at a terminal it is asked for
        #[arg(long, value_name = "LEVEL", requires = "control")]
        control_again: Option<String>,
        /// The lot of the control material, as on its vial; at a terminal it is asked for
        #[arg(long, value_name = "LOT", requires = "control")]
        lot: Option<String>,
        /// The lot a second time; at a terminal it is asked for
        #[arg(long, value_name = "LOT", requires = "lot")]
        lot_again: Option<String>,
        /// Why it is control material, for the trail; at a terminal it is asked for
        #[arg(long, value_name = "TEXT", requires = "control", value_parser = super::person::words)]
        reason: Option<String>,
        /// Many at once: a file, or - for standard input, with lines such as `17 KP-20417 KP-20417`: the
        /// report, the specimen id, the specimen id again
        #[arg(long, value_name = "FILE", conflicts_with_all = ["id", "specimen", "control"])]
        from: Option<PathBuf>,
    },
    /// Send them as they are, with a reason
    Release {
        /// Reports, or ranges such as 12-40
        #[arg(required = true)]
        ids: Vec<String>,
        #[command(flatten)]
        why: Why,
    },
    /// Decide what reports are whose number was used before, or that the analyzer calls a correction
    Decide {
        /// Reports, or ranges such as 12-40
        #[arg(required = true)]
        ids: Vec<String>,
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
    /// Decide that they are not to be sent, with a reason
    SetAside {
        /// Reports, or ranges such as 12-40
        #[arg(required = true)]
        ids: Vec<String>,
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
    let asks = matches!(options.act, None | Some(Act::Show { .. }));
    Desk::with(config, asks, async |desk| obey(desk, options, out).await).await
}

async fn obey(desk: &Desk, options: Options, out: &Output) -> Answer {
    let actor = desk.actor(&options.who)?;
    let mut done = Done::default();
    match options.act {
        None => {
            let after = options.after.as_deref().map(id).transpose()?.unwrap_or(0);
            let limit = options.limit.unwrap_or(if out.json { 1000 } else { 40 });
            return list(desk, AskedHeld { after, limit }, out).await;
        }
        Some(Act::Show { id }) => return page::show(desk, &id, out).await,
        Some(Act::Identify { from: Some(from), .. }) => {
            return identify::many(desk, &actor, &from, out).await;
        }
        Some(Act::Identify {
            id: text,
            control: control @ Some(_),
            control_again,
            lot,
            lot_again,
            reason,
            ..
        }) => {
            let n = id(text.as_deref().unwrap_or_default())?;
            // Nobody is asked for what cannot be done.
            desk.ledger.report_may(&desk.bench, door::Asked::FileAsControl, n).await?;
            let given = [(control, control_again), (lot, lot_again)];
            let material = material((desk, &actor), n, given, out).await?;
            let reason = desk.reason(&Why::of(reason), out)?;
            let filed = desk.ledger.report_is_control(&desk.bench, &actor, n, &material, &reason);
            done.took(n, filed.await)?;
        }
        Some(Act::Identify { id: text, specimen, again, .. }) => {
            let n = id(text.as_deref().unwrap_or_default())?;
            desk.ledger.report_may(&desk.bench, door::Asked::Identify, n).await?;
            let (asked, first) = (identify::SPECIMEN, specimen.as_deref());
            let given =
                identify::confirmed((desk, &actor), n, asked, first, again.as_deref(), out).await?;
            identify::identify(desk, &actor, n, &given, &mut done).await?;
        }
        Some(Act::Release { ids, why }) => {
            return release::release(desk, &actor, ranges(&ids)?, &why, out).await;
        }
        Some(Act::Decide { ids, what, why, of }) => {
            let ids = ranges(&ids)?;
            if of.is_some() && ids.len() > 1 {
                return Err(Failure::wrong(
                    "--of names the report that one report corrects: give one id",
                ));
            }
            let reason = desk.reason(&why, out)?;
            for n in ids {
                let decision = what.decision(of.as_deref())?;
                let decided = desk.ledger.report_decide(&desk.bench, &actor, n, decision, &reason);
                done.took(n, decided.await)?;
            }
        }
        Some(Act::SetAside { ids, why }) => {
            let (ids, reason) = (ranges(&ids)?, desk.reason(&why, out)?);
            for n in ids {
                done.took(n, desk.ledger.report_set_aside(&desk.bench, &actor, n, &reason).await)?;
            }
        }
        Some(Act::Reread { ids, reason }) => return reread(desk, &actor, &ids, reason, out).await,
    }
    done.tell(out)
}

/// Level and lot of control material, each entered twice.
async fn material(
    (desk, actor): (&Desk, &Actor),
    n: i64,
    [level, lot]: [(Option<String>, Option<String>); 2],
    out: &Output,
) -> Result<Material, Failure> {
    let twice = async |asked, (first, again): (Option<String>, Option<String>)| {
        identify::confirmed((desk, actor), n, asked, first.as_deref(), again.as_deref(), out).await
    };
    Ok(Material {
        level: twice(identify::LEVEL, level).await?,
        lot: twice(identify::LOT, lot).await?,
    })
}

/// Ids of reports and ranges of them, each once: `7 12-40`.
fn ranges(texts: &[String]) -> Result<Vec<i64>, Failure> {
    const MOST: i64 = 100_000;
    let mut ids = Vec::new();
    for text in texts {
        let (first, last) = text.split_once('-').unwrap_or((text, text));
        let (first, last) = (id(first)?, id(last)?);
        if last < first || last - first >= MOST {
            return Err(Failure::wrong(format!(
                "`{text}` is no range of at most {MOST} ids, the smaller first"
            )));
        }
        ids.extend(first..=last);
    }
    ids.sort_unstable();
    ids.dedup();
    Ok(ids)
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
        wanted.extend(desk.ledger.held_for(reason).await?);
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
    let still = done.iter().any(|r| r.state == ReportState::Held);
    Ok(if still { Exit::NotClean } else { Exit::Done })
}

async fn list(desk: &Desk, asked: AskedHeld, out: &Output) -> Answer {
    let (items, all) = view::held(&desk.ledger, desk.clock(), asked).await?;
    if out.json {
        out.document(&view::document(&items, all))?;
    } else if all == 0 {
        out.line("nothing is held");
    } else {
        page::list(&items, all, asked, desk.clock(), out);
    }
    elsewhere(desk, &[About::Held], None, out).await?;
    Ok(if all == 0 { Exit::Done } else { Exit::NotClean })
}

#[cfg(test)]
mod tests {
    use super::ranges;

    #[test]
    fn ids_and_ranges_are_read_once_each() {
        let read = |texts: &[&str]| {
            ranges(&texts.iter().map(|t| (*t).to_owned()).collect::<Vec<_>>()).ok()
        };
        assert_eq!(read(&["7", "3-5", "4"]), Some(vec![3, 4, 5, 7]));
        for wrong in ["", "x", "5-3", "1-200000", "-3", "0"] {
            assert!(read(&[wrong]).is_none(), "{wrong}");
        }
        assert_eq!(read(&["1-100000"]).map(|all| all.len()), Some(100_000));
    }
}
