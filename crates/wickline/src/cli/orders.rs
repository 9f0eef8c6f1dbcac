//! `orders`: what the LIS waits for, one order, and whose order of a disputed specimen is right.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::{Value, json};
use wickline_normalize::Reason;
use wickline_normalize::orders::{Key, Person, Standing};

use super::output::{Output, Tone, plain, short_time};
use super::{Answer, As, Desk, Exit, Failure, Why};
use crate::acts::settling::Settled;
use crate::store::lists::orders::{AskedOrders, OrderView};
use crate::store::rows::order::called;
use crate::views::orders::{brought, claim, collected, document, item, ordered, pads, said};

/// `wickline orders`, `wickline orders KP-20417`, `wickline orders show K884417`
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Options {
    #[command(subcommand)]
    act: Option<Act>,
    /// A specimen id, as scanned, or an order's number
    text: Option<String>,
    /// Orders that stand here instead of those that wait: open, on-hold, answered, cancelled, replaced, expired,
    /// closed-elsewhere, disputed
    #[arg(long, value_name = "STANDING", conflicts_with = "text")]
    standing: Option<Standing>,
    /// At most so many
    #[arg(long, default_value_t = 50, value_parser = clap::value_parser!(i64).range(1..=1000))]
    limit: i64,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// One order: whose it is, what it asks, how far it is
    Show {
        /// Its number, the id of its specimen, or "order 7": our own number of it, as the trail and notices have it
        number: String,
    },
    /// A person compared labels and people: a disputed order is right, or it is not
    Settle {
        /// Its number, or "order 7" as the trail and notices have it
        number: String,
        /// Its specimen is that of its patient
        #[arg(long, conflicts_with = "wrong", required_unless_present = "wrong")]
        right: bool,
        /// Its specimen is another patient's: the order claims it no more
        #[arg(long)]
        wrong: bool,
        /// The source, where two have an order of this number
        #[arg(long, value_name = "ID")]
        source: Option<String>,
        #[command(flatten)]
        why: Why,
        #[command(flatten)]
        who: As,
    },
}

pub async fn orders(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    match options.act {
        None => Desk::with(config, true, async |desk| list(desk, &options, out).await).await,
        Some(Act::Show { number }) => {
            Desk::with(config, true, async |desk| show(desk, &number, out).await).await
        }
        Some(Act::Settle { number, right, source, why, who, .. }) => {
            let desk = Desk::open(config).await?;
            let actor = desk.actor(&who)?;
            let key = one(&desk, &number, source.as_deref()).await?;
            let reason = desk.reason(&why, out)?;
            let done = desk.ledger.order_settle(&desk.bench, &actor, &key, right, &reason).await?;
            settled(&key, right, &done, out)
        }
    }
}

/// Says what a person's word did, what still waits, and what stays out until somebody takes it back.
fn settled(key: &Key, right: bool, done: &Settled, out: &Output) -> Answer {
    let codes = |why: &[Reason]| why.iter().map(|one| one.code()).collect::<Vec<_>>();
    if out.json {
        let held =
            done.held.iter().map(|(n, why)| json!({"id": n.to_string(), "holds": codes(why)}));
        out.document(&json!({
            "order": shown(key),
            "right": right,
            "reports": done.goes,
            "held": held.collect::<Vec<_>>(),
            "others": done.others.iter().map(ToString::to_string).collect::<Vec<_>>(),
            "out": done.out.iter().map(ToString::to_string).collect::<Vec<_>>(),
        }))?;
    }
    let what = if right { "is right" } else { "claims its specimen no more" };
    out.line(&format!("order {} {what}; {} report(s) go now", shown(key), done.goes));
    for n in &done.others {
        out.line(&format!(
            "the same is said of order {n} here, which is the same patient's for that specimen: `wickline orders show \
             \"order {n}\"`"
        ));
    }
    for (n, why) in &done.held {
        let why = codes(why).join(", ");
        out.line(&format!(
            "report {n} is still held ({why}): `wickline held show {n}` says what lets it go"
        ));
    }
    if let Some(person) = &done.goes_with {
        out.line(&format!("its results go with {}", described(person)));
    }
    if !right {
        let again = match done.claimed {
            true => {
                "the order of the other patient was refused and is not kept: have its source send it again, as a new message (the same bytes get the same answer)"
            }
            false => "have its source order it anew, for the right patient",
        };
        out.line(&format!(
            "{again}. Until then a strip of that specimen id is held, as one that nobody ordered \
             (`specimen-unknown`). Was this a slip: `wickline orders settle \"order {}\" --right` takes it back, as \
             long as the specimen id is nobody else's",
            done.n
        ));
    }
    for n in &done.out {
        out.line(&format!(
            "report {n} is out under the patient of this order: `wickline report withdraw {n}` takes it back; it \
             stands disputed until then"
        ));
    }
    Ok(Exit::Done)
}

/// The one order that a person means.
async fn one(desk: &Desk, number: &str, source: Option<&str>) -> Result<Key, Failure> {
    let mut found = desk.ledger.orders(&AskedOrders::Text(number.to_owned())).await?;
    found.retain(|view| source.is_none_or(|source| view.kept.order.key.source == source));
    match &found[..] {
        [one] => Ok(one.kept.order.key.clone()),
        [] => Err(Failure::wrong(format!(
            "no order has {number} as its number or specimen id; one that was refused is not kept: what can be settled \
             is the order that is here. `wickline orders` lists those that wait"
        ))),
        several => {
            let all: Vec<String> = several
                .iter()
                .map(|view| {
                    let (key, n) = (&view.kept.order.key, view.kept.n);
                    let (of, standing) = (specimens(view), view.kept.order.standing.code());
                    format!("\"order {n}\" ({} of {} for {of}, {standing})", shown(key), key.source)
                })
                .collect();
            Err(Failure::wrong(format!(
                "{number} may be any of {}: name one so, in quotes; nothing was changed",
                all.join(", ")
            )))
        }
    }
}

/// A patient in one line.
fn described(person: &Person) -> String {
    let name = person.name.expose().replace('^', ", ");
    let parts = [person.number.expose(), &name, person.born.expose()];
    let said: Vec<&str> = parts.into_iter().filter(|part| !part.is_empty()).collect();
    said.join(", ")
}

/// The number without who gave it.
fn shown(key: &Key) -> String {
    called(key).to_owned()
}

async fn list(desk: &Desk, options: &Options, out: &Output) -> Answer {
    let asked = match (&options.text, options.standing) {
        (Some(text), _) => AskedOrders::Text(text.trim().to_owned()),
        (None, Some(standing)) => AskedOrders::Standing(standing, options.limit),
        (None, None) => AskedOrders::Open(options.limit),
    };
    if out.json {
        out.document(&document(&desk.ledger, &desk.bench, &asked).await?)?;
        return Ok(Exit::Done);
    }
    let found = desk.ledger.orders(&asked).await?;
    if found.is_empty() {
        out.line(&match (&options.text, options.standing) {
            _ if !desk.bench.has_orders() => {
                "no order is taken in here: the configuration has no [[source]]".to_owned()
            }
            (Some(text), _) => nobody(text),
            (None, Some(standing)) => format!("no order is {}", standing.code()),
            (None, None) => "no order waits for its strip".to_owned(),
        });
        return Ok(Exit::Done);
    }
    let head = [
        "order",
        "source",
        "here",
        "specimen",
        "standing",
        "strip",
        "asked",
        "collected",
        "priority",
    ];
    let rows: Vec<Vec<(String, Tone)>> = found.iter().map(|view| row(desk, view)).collect();
    out.table(&head, &rows);
    Ok(Exit::Done)
}

fn specimens(view: &OrderView) -> String {
    let wanted = view.kept.order.wanted.as_ref();
    let all: Vec<&str> =
        wanted.iter().flat_map(|wanted| &wanted.specimens).map(|id| id.expose()).collect();
    all.join(", ")
}

fn row(desk: &Desk, view: &OrderView) -> Vec<(String, Tone)> {
    let order = &view.kept.order;
    let urgent = order.wanted.as_ref().is_some_and(|wanted| wanted.urgent);
    let standing = match order.standing {
        other if !order.rivals.is_empty() && other != Standing::Disputed => {
            (format!("{}, disputed", other.code()), Tone::Bad)
        }
        Standing::Disputed => (order.standing.code().to_owned(), Tone::Bad),
        other if order.is_closed_as_wrong() => plain(format!("{}, called wrong", other.code())),
        other => plain(other.code()),
    };
    vec![
        plain(shown(&order.key)),
        plain(order.key.source.clone()),
        plain(format!("order {}", view.kept.n)),
        plain(specimens(view)),
        standing,
        plain(view.trace().to_string()),
        plain(pads(view).join(" ")),
        plain(short_time(collected(&desk.bench, view).as_deref())),
        if urgent { ("URGENT".into(), Tone::Bad) } else { plain("") },
    ]
}

fn nobody(text: &str) -> String {
    format!("no order has {} as its number or specimen id", text.trim())
}

async fn show(desk: &Desk, number: &str, out: &Output) -> Answer {
    let found = desk.ledger.orders(&AskedOrders::Text(number.trim().to_owned())).await?;
    if out.json {
        let items: Vec<Value> = found.iter().map(|view| item(&desk.bench, view, true)).collect();
        out.document(&json!({"items": items}))?;
    }
    for view in &found {
        let order = &view.kept.order;
        let (number, source, own) = (shown(&order.key), &order.key.source, view.kept.n);
        out.line(&format!("order {number} of {source} (order {own} here)"));
        let say = |what: &str, text: String| {
            if !text.is_empty() {
                out.line(&format!("  {what:<12} {text}"));
            }
        };
        say("specimen", specimens(view));
        say("standing", order.standing.code().to_owned());
        say("strip", view.trace().to_string());
        say("asks", pads(view).join(" "));
        if let Some(person) = order.wanted.as_ref().and_then(|wanted| wanted.patient.as_ref()) {
            say("patient", person.number.expose().to_owned());
            say("name", person.name.expose().replace('^', ", "));
            say("born", person.born.expose().to_owned());
        }
        if let Some(ordered) = ordered(order) {
            say("ordered for", described(ordered));
        }
        if let Some(now) = said(order) {
            say("said now", described(now));
        }
        say("collected", short_time(collected(&desk.bench, view).as_deref()));
        say("OBR-3", order.number.clone().unwrap_or_default());
        if let (Some(number), receivers) = brought(&desk.bench, view) {
            say("OBR-3 there", format!("{number} at {}", receivers.join(", ")));
        }
        let reports: Vec<String> = view.reports.iter().map(ToString::to_string).collect();
        say("reports", reports.join(", "));
        for rival in &order.rivals {
            say("disputed", claim(rival));
        }
        view.called_wrong().into_iter().for_each(|text| say("wrong for", text.to_string()));
        if order.rivals.is_empty() && order.standing == Standing::Disputed {
            say("disputed", "its specimen id is claimed for another patient too".to_owned());
        }
        view.todo().into_iter().for_each(|todo| say("to do", todo.to_string()));
    }
    if found.is_empty() {
        out.line(&nobody(number));
        return Ok(Exit::NotClean);
    }
    Ok(Exit::Done)
}
