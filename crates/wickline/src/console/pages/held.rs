//! Held: what needs a decision, by analyzer and reason, stat first; several released at once.

use std::collections::BTreeSet;

use askama::Template;
use axum::extract::Query;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use wickline_normalize::{Reason, Remedy};

use super::After;
use crate::acts::people::PersonRole;
use crate::console::form::Signed;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::settings::bench::Bench;
use crate::store::lists::reports::{AskedHeld, Item};

/// Rows of a page.
pub const MOST: i64 = 200;

/// One held report in a list.
pub struct Row {
    pub id: String,
    pub number: String,
    pub specimen: String,
    pub whole: String,
    pub urgent: bool,
    pub taken: String,
    pub strip: String,
    pub abnormal: String,
    pub detail: String,
    /// Something else holds it as well.
    pub more: bool,
    pub seen: String,
}

/// Reports of one analyzer that one reason holds.
pub struct Group {
    pub analyzer: String,
    pub words: &'static str,
    pub remedy: &'static str,
    /// `6`, `16–18`, `6, 9, 12`: as one sees them on the analyzer.
    pub numbers: String,
    pub since: String,
    pub releases: bool,
    pub of_controls: bool,
    pub rows: Vec<Row>,
}

impl Group {
    pub fn count(&self) -> usize {
        self.rows.len()
    }

    /// How many of them can be released together: those that nothing else holds.
    pub fn ticks(&self) -> usize {
        self.rows.iter().filter(|row| !row.more).count()
    }

    pub fn urgent(&self) -> usize {
        self.rows.iter().filter(|row| row.urgent).count()
    }

    /// Where its first decision is made.
    pub fn first(&self) -> &str {
        self.rows.first().map_or("", |row| &row.id)
    }
}

/// What a report is held for first: what somebody must do before anything else.
fn reason_of(item: &Item) -> Option<Reason> {
    item.reason.as_deref()?.parse().ok()
}

/// The reason and what lets it go, in the words of the pages.
pub fn words(here: &Here, code: &str) -> (&'static str, &'static str) {
    let remedy = match code.parse::<Reason>() {
        Ok(reason) if reason.is_of_controls() => "remedy.controls",
        Ok(reason) if reason.is_of_orders() && reason.remedy() == Remedy::Release => {
            "remedy.orders"
        }
        Ok(reason) => match reason.remedy() {
            Remedy::Release => "remedy.release",
            Remedy::Identify => "remedy.identify",
            Remedy::Reread => "remedy.reread",
            Remedy::Decide => "remedy.decide",
            Remedy::Settle => "remedy.settle",
            Remedy::SetAside => "remedy.set-aside",
        },
        Err(_) => "remedy.set-aside",
    };
    (here.t(&format!("reason.{code}")), here.t(remedy))
}

/// Numbers as people say them: neighbours in one.
fn numbers(items: &[&Item]) -> String {
    let all: BTreeSet<i64> =
        items.iter().filter_map(|i| i.number.as_deref()?.parse().ok()).collect();
    let plain = items.iter().all(|i| i.number.as_deref().is_some_and(|n| !n.starts_with('0')));
    if items.len() < 2 || all.len() < items.len() || !plain {
        let own: Vec<&str> = items.iter().map(|i| i.number.as_deref().unwrap_or("-")).collect();
        let shown = own.iter().take(4).copied().collect::<Vec<_>>().join(", ");
        return if own.len() > 4 { format!("{shown} …") } else { shown };
    }
    let mut parts: Vec<(i64, i64)> = Vec::new();
    for n in all {
        match parts.last_mut() {
            Some((_, last)) if *last + 1 == n => *last = n,
            _ => parts.push((n, n)),
        }
    }
    let one = |(first, last): &(i64, i64)| match first == last {
        true => first.to_string(),
        false => format!("{first}–{last}"),
    };
    let shown = parts.iter().take(4).map(one).collect::<Vec<_>>().join(", ");
    if parts.len() > 4 { format!("{shown} …") } else { shown }
}

/// The held reports after one of them, in groups; and the last of them where there are more.
pub async fn groups(
    here: &Here,
    after: i64,
    most: i64,
) -> Result<(Vec<Group>, Option<String>), Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let wrong = |e| Halt::store(here.language, &e);
    let asked = AskedHeld { after, limit: most + 1 };
    let mut items = ledger.within(ledger.held(asked, &bench.clock)).await.map_err(wrong)?;
    let more = i64::try_from(items.len()).unwrap_or(0) > most;
    items.truncate(usize::try_from(most).unwrap_or(0));
    let last = items.last().filter(|_| more).map(|item| item.id.clone());
    let mut places: Vec<(String, String, Vec<&Item>)> = Vec::new();
    for item in &items {
        let code = reason_of(item).map_or("", Reason::code);
        let same =
            |place: &&mut (String, String, Vec<&Item>)| place.0 == item.analyzer && place.1 == code;
        match places.iter_mut().find(same) {
            Some((.., of)) => of.push(item),
            None => places.push((item.analyzer.clone(), code.to_owned(), vec![item])),
        }
    }
    let mut groups = Vec::new();
    for (analyzer, code, of) in places {
        let (words, remedy) = words(here, &code);
        let reason = code.parse::<Reason>().ok();
        let since = of.iter().filter_map(|i| i.heard_at.as_deref()).min().unwrap_or("");
        let mut rows = Vec::new();
        for item in &of {
            rows.push(row(here, item).await?);
        }
        groups.push(Group {
            numbers: numbers(&of),
            since: frame::moment(bench, since),
            releases: reason.is_some_and(|r| r.remedy() == Remedy::Release),
            of_controls: reason.is_some_and(Reason::is_of_controls),
            analyzer,
            words,
            remedy,
            rows,
        });
    }
    Ok((groups, last))
}

async fn row(here: &Here, item: &Item) -> Result<Row, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let id = item.id.parse().unwrap_or(0);
    let kept = ledger.within(ledger.report(id, &bench.clock)).await;
    let kept = kept.map_err(|e| Halt::store(here.language, &e))?;
    let readings = kept.map(|kept| kept.readings).unwrap_or_default();
    let whole = item.specimen.clone().unwrap_or_default();
    Ok(Row {
        id: item.id.clone(),
        number: frame::cell(item.number.as_deref().unwrap_or("-")),
        specimen: frame::cell(&whole),
        whole: crate::seen::visible(&whole),
        urgent: item.urgent,
        taken: taken(bench, item),
        strip: frame::strip(&readings, one_strip(bench, item)),
        abnormal: frame::abnormal(&readings),
        detail: crate::seen::visible(item.detail.as_deref().unwrap_or("")),
        more: item.reasons().len() > 1,
        seen: frame::seen(item),
    })
}

/// When the strip was read, by the analyzer, else when it was heard.
pub fn taken(bench: &Bench, item: &Item) -> String {
    let at = item.taken_at.as_deref().or(item.heard_at.as_deref());
    at.map_or_else(String::new, |at| frame::moment(bench, at))
}

/// The strip of an analyzer that has only one.
pub fn one_strip<'a>(bench: &'a Bench, item: &Item) -> Option<&'a wickline_normalize::Strip> {
    bench.analyzer(&item.analyzer)?.strips.first()
}

#[derive(Template)]
#[template(path = "console/held.html")]
struct Page {
    frame: Frame,
    groups: Vec<Group>,
    all: i64,
    next: Option<String>,
    may: bool,
    reasons: Vec<String>,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }

    fn tick(&self, group: &Group) -> String {
        self.frame.here.language.say("held.tick", &[("n", &group.ticks().to_string())])
    }

    fn line(&self) -> String {
        match self.all {
            0 => self.t("held.none").to_owned(),
            n => self.frame.here.language.counted("held.line", n),
        }
    }
}

/// `GET /held`
pub async fn page(here: Here, Query(after): Query<After>) -> Result<Response, Halt> {
    list(here, after.row(), None).await
}

async fn list(here: Here, after: i64, halt: Option<Halt>) -> Result<Response, Halt> {
    let (groups, next) = groups(&here, after, MOST).await?;
    let all = here.ledger.within(here.ledger.held_count()).await;
    let all = all.map_err(|e| Halt::store(here.language, &e))?;
    let code = halt.as_ref().map_or(StatusCode::OK, Halt::code);
    let frame = Frame::of(&here, "held").await?.with(halt.map(|h| h.text().to_owned()));
    let (may, reasons) = (here.may(PersonRole::Technologist), here.bench.people.reasons.clone());
    let page = Page { frame, groups, all, next, may, reasons };
    Ok(frame::shown(&here, code, page.render()))
}

/// `POST /held`: those that were ticked go as they are.
pub async fn release(signed: Signed) -> Result<Response, Halt> {
    let here = signed.here.clone();
    here.must(PersonRole::Technologist)?;
    let ticked: Vec<(i64, &str)> = signed
        .fields
        .all("report")
        .filter_map(|one| one.split_once(' '))
        .filter_map(|(n, seen)| Some((n.parse().ok()?, seen)))
        .collect();
    if ticked.is_empty() {
        let halt = Halt::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            here.language,
            here.t("held.nothing_ticked"),
        );
        return list(here, 0, Some(halt)).await;
    }
    if !signed.is_first() {
        return Ok(Redirect::to("/held").into_response());
    }
    let (mut gone, mut stays) = (0, Vec::new());
    for (n, seen) in ticked {
        match released(&here, n, seen, signed.fields.get("reason")).await {
            Ok(()) => gone += 1,
            Err(halt) => stays.push(halt),
        }
    }
    if gone > 0 {
        here.tell(here.language.counted("held.released", gone));
    }
    match stays.into_iter().next() {
        None => Ok(Redirect::to("/held").into_response()),
        Some(halt) => list(here, 0, Some(halt)).await,
    }
}

async fn released(here: &Here, n: i64, seen: &str, reason: &str) -> Result<(), Halt> {
    super::one_held::as_it_was(here, n, seen).await?;
    let reason = super::one_held::reason(here, reason)?;
    let (ledger, actor) = (&here.ledger, here.actor());
    let done = ledger.within(ledger.report_release(&here.bench, &actor, n, reason)).await;
    done.map(drop).map_err(|e| Halt::store(here.language, &e))
}
