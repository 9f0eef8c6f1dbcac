//! The care log of one analyzer: what is due, the month as a grid of signatures, every entry; signed and
//! struck through here.

use askama::Template;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use super::charts::part;
use super::one_held::reason;
use crate::acts::caring::{CareEntry, CareStand, Signing};
use crate::acts::people::PersonRole;
use crate::acts::reviewing::Month;
use crate::clock;
use crate::console::form::Signed;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;
use crate::settings::bench::Analyzer;
use crate::store::StoreError;

/// One care, as it stands and over the month.
struct Row {
    name: String,
    words: String,
    due: bool,
    opens: bool,
    canister: bool,
    /// By day: who signed, in their initials, and the whole in words.
    cells: Vec<(String, String)>,
}

struct Entry {
    n: i64,
    day: String,
    name: String,
    lot: String,
    signed: String,
    reason: String,
    struck: Option<String>,
}

#[derive(Template)]
#[template(path = "console/care.html")]
struct Page {
    frame: Frame,
    analyzer: String,
    month: String,
    today: String,
    line: String,
    due: bool,
    path: String,
    before: (String, String),
    next: (String, String),
    others: Vec<(String, String)>,
    strips: Vec<String>,
    days: Vec<String>,
    rows: Vec<Row>,
    entries: Vec<Entry>,
    may: bool,
    reasons: Vec<String>,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

fn this_month(here: &Here) -> String {
    let today = here.bench.clock.day(clock::now_us());
    today.get(..7).unwrap_or_default().to_owned()
}

fn path_to(analyzer: &str, month: &str) -> String {
    format!("/care/{}/{}", part(analyzer), part(month))
}

/// `GET /care`: the first analyzer that something is asked for, this month.
pub async fn today(here: Here) -> Result<Response, Halt> {
    let cares = &here.bench.cares;
    let mut asked = here.bench.analyzers.iter().filter(|a| cares.iter().any(|c| c.is_of(a)));
    let first = asked.next().ok_or_else(|| Halt::lost(here.language))?;
    Ok(Redirect::to(&path_to(&first.id, &this_month(&here))).into_response())
}

/// `GET /care/bench-1/2026-11`
pub async fn page(
    here: Here,
    Path((analyzer, month)): Path<(String, String)>,
) -> Result<Response, Halt> {
    shown(here, &analyzer, &month, None).await
}

/// `J. Mast`: `JM`.
fn initials(name: &str) -> String {
    let first = |word: &str| word.chars().find(|c| c.is_alphanumeric());
    visible(&name.split_whitespace().filter_map(first).take(3).collect::<String>())
}

fn row(here: &Here, stand: &CareStand, entries: &[CareEntry], days: &[String], month: &str) -> Row {
    let cell = |day: &String| {
        let date = format!("{month}-{day}");
        let own = |e: &&CareEntry| e.name == stand.name && e.day == date && e.struck.is_none();
        let own: Vec<&CareEntry> = entries.iter().filter(own).collect();
        let names: Vec<String> = own.iter().map(|e| initials(&e.who)).collect();
        let whole: Vec<&str> = own.iter().map(|e| e.who.as_str()).collect();
        (names.join(" "), visible(&whole.join(", ")))
    };
    Row {
        name: visible(&stand.name),
        words: here.told(&stand.words),
        due: stand.due,
        opens: stand.is_opened,
        canister: stand.every == "canister",
        cells: days.iter().map(cell).collect(),
    }
}

fn entry(here: &Here, entry: &CareEntry) -> Entry {
    let at = frame::moment(&here.bench, &entry.at);
    let struck = entry.struck.as_ref().map(|struck| {
        let at = frame::moment(&here.bench, &struck.at);
        let with = [("who", &*visible(&struck.who)), ("at", &at), ("why", &visible(&struck.why))];
        here.language.say("care.struck", &with)
    });
    Entry {
        n: entry.n,
        day: entry.day.clone(),
        name: visible(&entry.name),
        lot: entry.lot.as_ref().map_or(String::new(), |lot| {
            let until = entry.use_until.as_deref().unwrap_or("-");
            format!("{} · {} {until}", visible(lot), here.t("controls.until"))
        }),
        signed: format!("{}, {at}", visible(&entry.who)),
        reason: visible(entry.reason.as_deref().unwrap_or("")),
        struck,
    }
}

fn analyzer_of<'a>(here: &'a Here, id: &str) -> Result<&'a Analyzer, Halt> {
    let known = here.bench.analyzer(id).filter(|a| here.bench.cares.iter().any(|c| c.is_of(a)));
    known.map(AsRef::as_ref).ok_or_else(|| Halt::lost(here.language))
}

async fn shown(here: Here, id: &str, month: &str, halt: Option<Halt>) -> Result<Response, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let month = Month::of(month).ok_or_else(|| Halt::lost(here.language))?;
    let analyzer = analyzer_of(&here, id)?;
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    let stands = ledger.within(ledger.care_stands(bench, analyzer)).await.map_err(wrong)?;
    let last = format!("{}-31", month.name);
    let span = (month.days().0, last);
    let entries = ledger.care_entries(bench, id, (&span.0, &span.1));
    let entries = ledger.within(entries).await.map_err(wrong)?;
    let is_day =
        |day: &String| format!("{}-{day}", month.name).parse::<jiff::civil::Date>().is_ok();
    let days: Vec<String> = (1..=31).map(|day| format!("{day:02}")).filter(is_day).collect();
    let due = stands.iter().filter(|one| one.due).count();
    let due = i64::try_from(due).unwrap_or(i64::MAX);
    let beside = |months| {
        let name = month.later(months).map_or(String::new(), |m| m.name);
        (path_to(id, &name), name)
    };
    let asked = bench.analyzers.iter().filter(|a| a.id != id);
    let asked = asked.filter(|a| bench.cares.iter().any(|care| care.is_of(a)));
    let page = Page {
        line: match due {
            0 => here.t("care.clear").to_owned(),
            n => here.language.counted("care.due", n),
        },
        due: due > 0,
        path: path_to(id, &month.name),
        before: beside(-1),
        next: beside(1),
        others: asked.map(|a| (path_to(&a.id, &month.name), a.id.clone())).collect(),
        strips: match analyzer.strips.len() {
            1 => Vec::new(),
            _ => analyzer.strips.iter().map(|strip| strip.id.clone()).collect(),
        },
        rows: stands.iter().map(|one| row(&here, one, &entries, &days, &month.name)).collect(),
        entries: entries.iter().rev().map(|one| entry(&here, one)).collect(),
        days,
        analyzer: id.to_owned(),
        today: bench.clock.day(clock::now_us()),
        may: here.may(PersonRole::Technologist),
        reasons: bench.people.reasons.clone(),
        frame: Frame::of(&here, "care").await?.with(halt.as_ref().map(|h| h.text().to_owned())),
        month: month.name,
    };
    let code = halt.as_ref().map_or(StatusCode::OK, Halt::code);
    Ok(frame::shown(&here, code, page.render()))
}

/// `POST /care/bench-1/2026-11/sign` and `/strike`
pub async fn act(
    Path((id, month, act)): Path<(String, String, String)>,
    signed: Signed,
) -> Result<Response, Halt> {
    let here = signed.here.clone();
    here.must(PersonRole::Technologist)?;
    if signed.is_first() {
        let done = match act.as_str() {
            "sign" => sign(&signed, &id).await,
            "strike" => strike(&signed).await,
            _ => Err(Halt::lost(here.language)),
        };
        match done {
            Ok(told) => here.tell(told),
            Err(halt) => return shown(here, &id, &month, Some(halt)).await,
        }
    }
    Ok(Redirect::to(&path_to(&id, &month)).into_response())
}

async fn sign(signed: &Signed, id: &str) -> Result<String, Halt> {
    let (here, fields) = (&signed.here, &signed.fields);
    let analyzer = analyzer_of(here, id)?;
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    let given = |name: &str| Some(fields.get(name).trim()).filter(|text| !text.is_empty());
    let why = given("reason").map(|text| reason(here, text)).transpose()?;
    if let Some(lot) = given("lot") {
        // A tube that was scanned for a box.
        let lot = [lot.to_owned()];
        let known = here.ledger.within(here.ledger.specimens_among(&lot)).await;
        if !known.map_err(wrong)?.is_empty() {
            let text = here.t("care.is_a_tube");
            return Err(Halt::new(StatusCode::UNPROCESSABLE_ENTITY, here.language, text));
        }
    }
    let what = Signing {
        name: fields.get("name"),
        day: given("day"),
        lot: given("lot"),
        use_until: given("use_until"),
        strip: given("strip"),
        reason: why,
    };
    let (ledger, actor) = (&here.ledger, here.actor());
    let done = ledger.within(ledger.care_sign(&here.bench, &actor, analyzer, &what)).await;
    let done = done.map_err(wrong)?;
    let with = [("name", &*visible(&done.name)), ("day", done.day.as_str())];
    Ok(here.language.say("care.did_sign", &with))
}

async fn strike(signed: &Signed) -> Result<String, Halt> {
    let (here, fields) = (&signed.here, &signed.fields);
    let n: i64 = fields.get("entry").parse().map_err(|_| Halt::lost(here.language))?;
    let why = reason(here, fields.get("reason"))?;
    let (ledger, actor) = (&here.ledger, here.actor());
    let done = ledger.within(ledger.care_strike(&here.bench, &actor, n, why)).await;
    done.map_err(|e| Halt::store(here.language, &e))?;
    Ok(here.language.say("care.did_strike", &[("n", &n.to_string())]))
}
