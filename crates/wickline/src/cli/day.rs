//! `day`: every number of a day with its place on the way, what is outstanding and what to do; its
//! missing numbers explained, and the day closed, by a person.

mod board;

use std::io::{BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use serde_json::json;

pub use self::board::show;
use super::output::{Output, visible};
use super::status::elsewhere;
use super::{Answer, As, Desk, Exit, Failure, Why};
use crate::acts::closing::{Closing, Confirmed, Unsure, words};
use crate::acts::explaining::{Explanation, Named};
use crate::clock;
use crate::sheet::now::About;
use crate::sheet::todo::word;
use crate::sheet::{Line, Sheet, barriers, waited_for};
use crate::store::state::NumberState;
use crate::store::trail::Actor;

/// `wickline day` for today, `wickline day 2026-03-14` for another
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Options {
    /// Local date, YYYY-MM-DD [default: today]
    date: Option<String>,
    /// One analyzer alone
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
    /// Write the sheet to FILE instead, for A4 paper; it holds specimen ids
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Every column, however wide
    #[arg(long)]
    wide: bool,
    #[command(subcommand)]
    act: Option<Act>,
}

/// Which numbers, and why.
#[derive(Debug, Args)]
struct Numbers {
    /// Numbers as the sheet has them, ranges of them, or ids of the sheet
    #[arg(required = true, value_name = "NUMBER")]
    numbers: Vec<String>,
    #[command(flatten)]
    why: Why,
    /// Needed where two analyzers have the same number
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
    /// Local date, YYYY-MM-DD [default: today]
    #[arg(long)]
    date: Option<String>,
    #[command(flatten)]
    who: As,
}

impl Numbers {
    fn explanation(self, desk: &Desk, out: &Output) -> Result<(Explanation, Actor), Failure> {
        let day = date_of(desk, self.date.as_deref())?;
        let reason = desk.reason(&self.why, out)?;
        let (analyzer, numbers) = (self.analyzer, self.numbers);
        Ok((Explanation { day, analyzer, numbers, reason }, desk.actor(&self.who)?))
    }
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Say why a number never came: `day explain 41-44 --reason "paper jam, strips run again"`
    Explain(Numbers),
    /// Take an explanation back: the numbers are missing again
    Unexplain(Numbers),
    /// Close a day once nothing is outstanding: `day close 2026-03-14 --last bench-1=57 --last bench-2=none`
    Close {
        /// Local date, YYYY-MM-DD
        date: String,
        /// The last number that an analyzer itself shows, one for each mark; `none` if it shows none
        #[arg(long, value_name = "ID=NUMBER")]
        last: Vec<String>,
        /// The same a second time, where it would make many numbers missing [default: asked at a terminal]
        #[arg(long, value_name = "ID=NUMBER")]
        again: Vec<String>,
        #[command(flatten)]
        who: As,
    },
}

pub async fn day(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let asks = options.act.is_none();
    Desk::with(config, asks, async |desk| obey(desk, options, out).await).await
}

async fn obey(desk: &Desk, options: Options, out: &Output) -> Answer {
    match options.act {
        None => {
            let date = date_of(desk, options.date.as_deref())?;
            let (analyzer, html) = (options.analyzer.as_deref(), options.html.as_deref());
            sheet(desk, &date, analyzer, html, options.wide, out).await
        }
        Some(Act::Explain(numbers)) => {
            let (what, actor) = numbers.explanation(desk, out)?;
            let said = desk.ledger.day_explain(&actor, desk.clock(), &what).await?;
            became(&said, NumberState::Explained, out)?;
            Ok(Exit::Done)
        }
        Some(Act::Unexplain(numbers)) => {
            let (what, actor) = numbers.explanation(desk, out)?;
            let said = desk.ledger.day_unexplain(&actor, desk.clock(), &what).await?;
            became(&said, NumberState::Missing, out)?;
            Ok(Exit::Done)
        }
        Some(Act::Close { date, last, again, who }) => {
            let date = date_of(desk, Some(&date))?;
            close(desk, &date, &last, &again, &who, out).await
        }
    }
}

fn date_of(desk: &Desk, text: Option<&str>) -> Result<String, Failure> {
    let today = desk.clock().day(clock::now_us());
    let Some(text) = text else { return Ok(today) };
    text.parse::<jiff::civil::Date>()
        .map(|d| d.to_string())
        .map_err(|_| Failure::wrong(format!("`{text}` is not a date; write YYYY-MM-DD")))
}

async fn sheet(
    desk: &Desk,
    date: &str,
    analyzer: Option<&str>,
    html: Option<&Path>,
    wide: bool,
    out: &Output,
) -> Answer {
    let sheet = Sheet::read(&desk.ledger, &desk.bench, date, analyzer).await?;
    if let Some(id) =
        analyzer.filter(|a| sheet.lines.is_empty() && desk.bench.analyzer(a).is_none())
    {
        let known: Vec<&str> = desk.bench.analyzers.iter().map(|a| a.id.as_str()).collect();
        let known = known.join(", ");
        return Err(Failure::wrong(format!("there is no analyzer {id}; configured: {known}")));
    }
    match html {
        Some(path) => paper(desk, &sheet, path, out).await?,
        None => {
            show(&sheet, wide, out)?;
            elsewhere(desk, &[About::Held, About::Refused, About::Missing], Some(date), out)
                .await?;
        }
    }
    if let Some(fault) = sheet.faults.first() {
        let text = format!(
            "the day sheet of {date} does not add up: {fault}. Do not rely on it; keep a copy of the \
             ledger and look for what changed it"
        );
        return Err(Failure { exit: Exit::Unsafe, text });
    }
    Ok(if sheet.open().next().is_some() { Exit::NotClean } else { Exit::Done })
}

async fn paper(desk: &Desk, sheet: &Sheet, path: &Path, out: &Output) -> Result<(), Failure> {
    let head = desk.ledger.trail_head().await?;
    // Long enough to know it again by `trail verify --known`, short enough to be copied by hand.
    let seal = format!("{}:{}", head.n, head.hash.get(..16).unwrap_or(&head.hash));
    let text =
        sheet.html(&desk.bench, Some(&seal)).map_err(|e| Failure::unreachable(e.to_string()))?;
    super::file::write(path, &text)?;
    if out.json {
        out.document(sheet)?;
    }
    let path = path.display();
    out.line(&format!(
        "day sheet of {} on {path}; it holds specimen ids: keep it as you keep reports",
        sheet.date
    ));
    Ok(())
}

/// What became of numbers.
fn became(said: &[Named], state: NumberState, out: &Output) -> std::io::Result<()> {
    let state = state.text();
    if out.json {
        let items: Vec<_> = said.iter().map(|one| json!({"id": one.id, "state": state})).collect();
        return out.document(&json!({ "items": items }));
    }
    for one in said {
        out.line(&format!("number {} is now {state}", one.name));
    }
    Ok(())
}

/// `bench-1=57`, or `bench-1=none`.
fn confirmed(text: &str) -> Result<Confirmed, Failure> {
    let parts = text.split_once('=').map(|(a, n)| (a.trim(), n.trim()));
    let Some((analyzer, number)) = parts.filter(|(a, n)| !a.is_empty() && !n.is_empty()) else {
        return Err(Failure::wrong(format!(
            "--last `{text}`: write the analyzer and the number that it shows, such as bench-1=57, or \
             bench-1=none"
        )));
    };
    let last = (number != "none").then(|| number.to_owned());
    Ok(Confirmed { analyzer: analyzer.to_owned(), last })
}

async fn close(
    desk: &Desk,
    date: &str,
    last: &[String],
    again: &[String],
    who: &As,
    out: &Output,
) -> Answer {
    let read = |texts: &[String]| texts.iter().map(|t| confirmed(t)).collect::<Result<Vec<_>, _>>();
    let (confirmed, mut again) = (read(last)?, read(again)?);
    let actor = desk.actor(who)?;
    let mut closing = desk.ledger.day_close(&desk.bench, &actor, date, &confirmed, &again).await?;
    if let Closing::Unsure(unsure) = &closing {
        again = asked_again(date, &confirmed, unsure, out)?;
        closing = desk.ledger.day_close(&desk.bench, &actor, date, &confirmed, &again).await?;
    }
    let mut answer = json!({"date": date, "closed": false, "missing": {}, "items": []});
    let exit = match closing {
        Closing::Closed { again } => {
            answer["closed"] = json!(true);
            let before = if again { " again; it was closed before" } else { "" };
            out.line(&format!("{date} is closed by {}{before}", actor.name));
            Exit::Done
        }
        Closing::Entered(missing) => {
            for (analyzer, gaps) in &missing {
                let numbers = words(gaps);
                out.line(&format!("{analyzer} gave these out and they did not come: {numbers}"));
                answer["missing"][analyzer] =
                    gaps.iter().map(|gap| gap.numbers.as_str()).collect::<Vec<_>>().into();
            }
            out.line(&format!(
                "{date} is not closed: they are on its sheet as missing now; have them sent again or \
                 explain them, then close it"
            ));
            Exit::NotClean
        }
        Closing::Unsure(unsure) => return Err(unconfirmed(date, &confirmed, &unsure)),
        Closing::Outstanding(items) => {
            let (ledger, bench) = (&desk.ledger, &desk.bench);
            let barriers = barriers::barriers(ledger, bench, waited_for(&items)).await?;
            let lines: Vec<Line> =
                items.into_iter().map(|item| Line::of(item, date, &barriers)).collect();
            let count: u64 = lines.iter().map(Line::count).sum();
            out.line(&format!("{date} is not closed, {count} outstanding:"));
            board::tell_all(&lines.iter().collect::<Vec<_>>(), &barriers, out);
            answer["items"] = json!(lines);
            Exit::NotClean
        }
    };
    if out.json {
        out.document(&answer)?;
    }
    Ok(exit)
}

/// At a terminal the numbers that would make many others missing are asked for a second time.
fn asked_again(
    date: &str,
    confirmed: &[Confirmed],
    unsure: &[Unsure],
    out: &Output,
) -> Result<Vec<Confirmed>, Failure> {
    /// Characters of an answer at most: no number is nearly as long.
    const LONGEST: u64 = 200;
    if out.json || !std::io::stdin().is_terminal() {
        return Err(unconfirmed(date, confirmed, unsure));
    }
    let mut again = Vec::new();
    for one in unsure {
        eprintln!("{}", visible(&would(one)));
        eprint!("last number of {} again: ", visible(&one.analyzer));
        std::io::stderr().flush()?;
        let mut line = String::new();
        std::io::Read::take(std::io::stdin().lock(), LONGEST).read_line(&mut line)?;
        let last = Some(line.trim().to_owned());
        again.push(Confirmed { analyzer: one.analyzer.clone(), last });
    }
    Ok(again)
}

/// What a confirmed number would do.
fn would(unsure: &Unsure) -> String {
    let Unsure { analyzer, last, gaps } = unsure;
    let count: i64 = gaps.iter().map(|gap| gap.count).sum();
    format!("{analyzer}: with {last} as its last number, {count} would be missing: {}", words(gaps))
}

/// The command that says it again, as it is run.
fn unconfirmed(date: &str, confirmed: &[Confirmed], unsure: &[Unsure]) -> Failure {
    let mut command = format!("wickline day close {date}");
    for one in confirmed {
        let last = one.last.as_deref().unwrap_or("none");
        command.push_str(&format!(" --last {}", word(&format!("{}={last}", one.analyzer))));
    }
    for one in unsure {
        let again = word(&format!("{}={}", one.analyzer, one.last));
        command.push_str(&format!(" --again {again}"));
    }
    let what = unsure.iter().map(would).collect::<Vec<_>>().join("\n");
    Failure::wrong(format!(
        "{what}\nnothing was changed; if that is so, give it a second time:\n  {command}"
    ))
}
