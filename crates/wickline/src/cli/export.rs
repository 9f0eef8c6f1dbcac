//! `export`: everything kept of one specimen, for whoever is entitled to it: a page to read, the same as JSON, and a
//! row in the trail that says that it was given and why.

use std::io::Write;
use std::path::{Path, PathBuf};

use askama::Template;
use clap::Args;
use serde_json::{Value, json};

use super::find::meant;
use super::output::{Output, visible};
use super::{Answer, As, Desk, Exit, Failure, Why, file};
use crate::clock;
use crate::digest;
use crate::store::copying::for_results;
use crate::store::rows::purged::Left;
use crate::store::trail::Act;
use crate::views::report::whole;

/// `wickline export KP-20417 --dir given --reason "court order 12/26, to the patient's lawyer"`
#[derive(Debug, Args)]
pub struct Options {
    /// A specimen id, of now or of before
    specimen: String,
    /// The folder for the two files
    #[arg(long, value_name = "DIR", default_value = ".")]
    dir: PathBuf,
    #[command(flatten)]
    why: Why,
    #[command(flatten)]
    who: As,
}

/// Most exports of one second in one folder.
const MOST: usize = 100;

/// One report on the page.
struct Section {
    head: String,
    /// What is said of it, line by line: readings, holds, old ids, acts.
    said: Vec<String>,
    printed: Vec<String>,
    messages: Vec<(String, Vec<String>)>,
}

#[derive(Template)]
#[template(path = "export.html")]
struct Page<'a> {
    site: &'a str,
    specimen: &'a str,
    made: String,
    reason: &'a str,
    sections: &'a [Section],
    purged: &'a [String],
}

pub async fn export(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let desk = Desk::open(config).await?;
    let answer = exported(&desk, &options, out).await;
    desk.ledger.close().await?;
    answer
}

async fn exported(desk: &Desk, options: &Options, out: &Output) -> Answer {
    for_results(&options.dir, &desk.bench.tape)?;
    let texts = meant(&desk.bench, &options.specimen);
    let found = desk.ledger.found(&texts).await?;
    // A number or an OBR-3 that reads like it is of somebody else.
    let of_it = |by: &Vec<&str>| by.iter().any(|by| by.starts_with("specimen"));
    let left = desk.ledger.purged_of(&texts).await?;
    let purged: Vec<String> = left.iter().map(|one| told(desk, one)).collect();
    let (mut reports, mut sections, mut ids) = (Vec::new(), Vec::new(), Vec::new());
    for (n, by) in found.into_iter().filter(|(_, by)| of_it(by)) {
        let (report, section) = one(desk, n, by).await?;
        reports.push(report);
        sections.push(section);
        ids.push(n.to_string());
    }
    if reports.is_empty() {
        out.line(&format!("no report has or had {} as its specimen id", options.specimen));
        purged.iter().for_each(|one| out.line(one));
        if out.json {
            out.document(&json!({"reports": 0, "purged": purged}))?;
        }
        return Ok(Exit::NotClean);
    }
    let (actor, reason) = (desk.actor(&options.who)?, desk.reason(&options.why, out)?);
    let made = desk.clock().rfc3339(clock::now_us());
    let value = json!({
        "site": desk.bench.site_name, "specimen": options.specimen, "made_at": made, "reason": reason,
        "reports": reports, "purged": purged,
    });
    let text = serde_json::to_string_pretty(&value).map_err(|e| Failure::wrong(e.to_string()))?;
    let page = Page {
        site: &desk.bench.site_name,
        specimen: &options.specimen,
        made: made.clone(),
        reason: &reason,
        sections: &sections,
        purged: &purged,
    };
    let page = page.render().map_err(|e| Failure::wrong(e.to_string()))?;
    let name: String = made.chars().take(19).filter(|c| c.is_ascii_alphanumeric()).collect();
    let paths = free(&options.dir, &format!("export-{name}"))?;
    // Noted before it is there: nothing is given of which the trail knows nothing.
    let became = format!("reports {} as {}", ids.join(", "), &digest::of(&text)[..16]);
    let act = Act {
        verb: "export",
        object: "reports".into(),
        reason: Some(reason.clone()),
        became: Some(became),
        ..Act::default()
    };
    desk.ledger.note(&actor, act).await?;
    put(&paths[0], &text)?;
    put(&paths[1], &page)?;
    let shown = paths.map(|path| path.display().to_string());
    if out.json {
        out.document(&json!({"reports": ids.len(), "files": shown, "purged": purged}))?;
    }
    out.line(&format!("{} reports of {}: {}", ids.len(), options.specimen, shown.join(" and ")));
    purged.iter().for_each(|one| out.line(one));
    Ok(Exit::Done)
}

/// Two names of which none is taken: a second export within one second gets a number behind its time.
fn free(folder: &Path, name: &str) -> Result<[PathBuf; 2], Failure> {
    let names =
        (1..=MOST).map(|nth| if nth == 1 { name.to_owned() } else { format!("{name}-{nth}") });
    let mut all =
        names.map(|name| ["json", "html"].map(|end| folder.join(format!("{name}.{end}"))));
    let is_free = |paths: &[PathBuf; 2]| paths.iter().all(|path| path.symlink_metadata().is_err());
    all.find(is_free).ok_or_else(|| {
        let folder = folder.display();
        Failure::unreachable(format!(
            "{folder} has {MOST} exports of this second already: wait for the next"
        ))
    })
}

fn put(path: &Path, text: &str) -> Result<(), Failure> {
    let Some(mut new) = file::new(path)? else {
        return Err(Failure::unreachable(format!("{} is there already", path.display())));
    };
    new.write_all(text.as_bytes()).map_err(|error| file::cannot(path, &error))
}

fn told(desk: &Desk, left: &Left) -> String {
    let Left { n, day, class, outcome, at } = left;
    let at = desk.clock().rfc3339(*at);
    format!("report {n} of {day} ({class}, {outcome}) was purged {}", at.get(..10).unwrap_or(&at))
}

async fn one(desk: &Desk, n: i64, by: Vec<&'static str>) -> Result<(Value, Section), Failure> {
    let gone = || Failure::unreachable(format!("report {n} is gone"));
    let (ledger, clock) = (&desk.ledger, desk.clock());
    let kept = ledger.report(n, clock).await?.ok_or_else(gone)?;
    let whole = whole(ledger, &desk.bench, n, by).await?.ok_or_else(gone)?;
    let printed: Vec<String> =
        kept.print.lines.iter().map(|line| visible(line.text.expose())).collect();
    let item = &whole.item;
    let head = format!(
        "Report {n}: {} number {}, {}, specimen {}, {}; found by {}",
        item.analyzer,
        item.number.as_deref().unwrap_or("-"),
        item.class,
        item.specimen.as_deref().unwrap_or("-"),
        item.state.text(),
        whole.found_by.join(", ")
    );
    let mut said: Vec<String> =
        whole.readings.iter().map(|r| format!("{} {}", r.analyte, r.text)).collect();
    said.extend(item.holds.iter().map(|h| format!("held: {}: {}", h.reason, h.detail)));
    said.extend(
        whole.before.iter().map(|b| format!("specimen before: {} ({})", b.specimen, b.what)),
    );
    said.extend(whole.history.iter().map(|row| {
        let text = |text: &Option<String>| text.clone().unwrap_or_default();
        let at = clock.rfc3339(row.at);
        let (was, became, reason) = (text(&row.was), text(&row.became), text(&row.reason));
        format!("{at} {} {} {}: {was} became {became}; {reason}", row.who, row.verb, row.object)
    }));
    let (mut messages, mut listed) = (Vec::new(), Vec::new());
    for n in &whole.numbers {
        let Some(message) = ledger.message(*n, clock).await? else { continue };
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        let (body, answer) = (text(&message.body), message.answer.as_deref().map(text));
        let segments = |text: &str| text.split('\r').map(visible).collect::<Vec<_>>();
        let name = format!(
            "{} to {}: {}",
            message.item.control_id, message.item.receiver, message.item.state
        );
        listed.push((name.clone(), segments(&body)));
        if let Some(answer) = &answer {
            listed.push((format!("{name}: its answer"), segments(answer)));
        }
        messages.push(json!({"message": message.item, "body": body, "answer": answer}));
    }
    let value = json!({"report": whole, "printed": printed, "sent": messages});
    Ok((value, Section { head, said, printed, messages: listed }))
}
