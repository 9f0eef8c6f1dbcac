//! Today: is anything wrong, in one line; then what needs a person, each analyzer, each receiver, what came last.

use askama::Template;
use axum::http::StatusCode;
use axum::response::Response;

use super::held::{self, Group, one_strip, taken};
use crate::acts::people::PersonRole;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;
use crate::sheet::now::{About, Finding, Now};
use crate::sheet::todo::shown;
use crate::store::StoreError;
use crate::store::lists::reports::Item;

/// Rows of what needs a person, and of what came last.
const ROWS: usize = 7;
const LAST: i64 = 5;
/// Held reports that are looked at for the groups.
const HELD: i64 = 50;

/// Something that needs a person and is no held report.
struct Need {
    which: String,
    about: &'static str,
    text: String,
    todo: String,
    link: String,
    refused: bool,
    /// It cannot wait behind what is held, or holds all that follows.
    first: bool,
}

/// What is known of one analyzer or receiver.
struct Part {
    id: String,
    facts: Vec<(&'static str, String, bool)>,
}

/// One report that came last.
pub struct Heard {
    pub id: String,
    pub number: String,
    pub analyzer: String,
    pub specimen: String,
    pub whole: String,
    pub taken: String,
    pub strip: String,
    pub abnormal: String,
    pub state: &'static str,
    pub class: &'static str,
    pub glyph: &'static str,
}

#[derive(Template)]
#[template(path = "console/today.html")]
struct Page {
    frame: Frame,
    wrong: usize,
    line: String,
    beside: String,
    held: Vec<Group>,
    /// What stands above what is held, and what stands below.
    before: Vec<Need>,
    needs: Vec<Need>,
    /// What has no room above.
    more_held: Vec<Group>,
    more_needs: Vec<Need>,
    analyzers: Vec<Part>,
    receivers: Vec<Part>,
    here: Vec<Part>,
    last: Vec<Heard>,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }

    fn more(&self) -> usize {
        self.more_held.len() + self.more_needs.len()
    }

    fn counted(&self, place: &str, n: impl std::borrow::Borrow<usize>) -> String {
        self.frame.here.language.counted(place, i64::try_from(*n.borrow()).unwrap_or(i64::MAX))
    }
}

/// Where somebody sees to a finding.
fn link(finding: &Finding, day: &str) -> String {
    match finding.about {
        About::Held => "/held".into(),
        About::Refused | About::Receiver => "/queue".into(),
        About::Controls | About::Instrument => "/controls".into(),
        About::Orders => "/orders".into(),
        About::Calls => "/calls".into(),
        About::Missing | About::Day => match finding.which.len() == 10 {
            true => format!("/day/{}", finding.which),
            false => format!("/day/{day}"),
        },
        _ => String::new(),
    }
}

/// Where the name of what a finding is about stands.
pub fn about(about: About) -> &'static str {
    match about {
        About::Daemon => "about.daemon",
        About::Line => "about.line",
        About::Instrument => "about.instrument",
        About::Controls => "about.controls",
        About::Receiver => "about.receiver",
        About::Held => "about.held",
        About::Refused => "about.refused",
        About::Missing => "about.missing",
        About::Orders => "about.orders",
        About::Day => "about.day",
        About::Store => "about.store",
        About::Certificate => "about.certificate",
        About::Clock => "about.clock",
        About::Alarm => "about.alarm",
        About::Care => "about.care",
        About::Calls => "about.calls",
    }
}

fn need(here: &Here, finding: &Finding, day: &str) -> Need {
    let link = link(finding, day);
    Need {
        which: here.told(&finding.named()),
        about: here.t(about(finding.about)),
        text: here.told(&finding.text),
        // Where a page sees to it nobody is sent to a terminal.
        todo: match link.is_empty() {
            true => finding.todo.as_ref().map(|todo| shown(&here.told(todo))).unwrap_or_default(),
            false => String::new(),
        },
        link,
        first: finding.urgent
            || matches!(finding.about, About::Controls | About::Store | About::Daemon),
        refused: matches!(
            finding.about,
            About::Refused | About::Missing | About::Store | About::Daemon | About::Calls
        ),
    }
}

/// What is known of these things, by what it is about.
fn parts(here: &Here, now: &Now, ids: &[String], abouts: &[About]) -> Vec<Part> {
    let of = |id: &String| {
        let own = |f: &&Finding| {
            let same = f.which == *id
                || f.which.strip_prefix(id.as_str()).is_some_and(|r| r.starts_with(", "));
            same && abouts.contains(&f.about)
        };
        let fact = |f: &Finding| (here.t(about(f.about)), here.told(&f.text), f.wrong);
        Part { id: id.clone(), facts: now.findings.iter().filter(own).map(fact).collect() }
    };
    ids.iter().map(of).collect()
}

/// `GET /today`
pub async fn page(here: Here) -> Result<Response, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    let now = ledger.within(Now::read(ledger, bench)).await.map_err(wrong)?;
    let day = bench.clock.day(crate::clock::now_us());
    let (mut held, _) = held::groups(&here, 0, HELD).await?;
    let mut needs: Vec<Need> = now
        .wrong()
        .filter(|f| f.about != About::Held)
        .map(|finding| need(&here, finding, &day))
        .collect();
    // What cannot wait first: it is never among those that are only counted. Stat above routine.
    needs.sort_by_key(|need| (!need.first, need.link != "/calls"));
    held.sort_by_key(|group| group.urgent() == 0);
    let all = held.len() + needs.len();
    let firsts = needs.iter().filter(|need| need.first).count().min(ROWS);
    let more_held = held.split_off(held.len().min(ROWS - firsts));
    let more_needs = needs.split_off(needs.len().min(ROWS - held.len()));
    let before = needs.split_off(needs.iter().take_while(|need| need.first).count());
    let (needs, before) = (before, needs);
    // The same number as `status` says.
    let wrong_things = now.wrong().count();
    let analyzers: Vec<String> = bench.analyzers.iter().map(|a| a.id.clone()).collect();
    let receivers: Vec<String> = bench.targets.iter().map(|t| t.id.clone()).collect();
    let keeper = here.may(PersonRole::Keeper);
    let mut accepted = 0;
    for id in &receivers {
        let count = ledger.within(ledger.accepted_on(id, &day, &bench.clock)).await;
        accepted += count.map_err(wrong)?.accepted;
    }
    let newest = ledger.within(ledger.newest(LAST, &bench.clock)).await.map_err(wrong)?;
    let mut last = Vec::new();
    for item in &newest {
        last.push(heard(&here, item).await?);
    }
    let page = Page {
        wrong: all,
        line: match wrong_things {
            0 => here.t("today.nothing").to_owned(),
            n => here.language.counted("today.need", i64::try_from(n).unwrap_or(i64::MAX)),
        },
        beside: match newest.is_empty() {
            true => here.t("today.nothing_heard").to_owned(),
            false => here.language.counted("today.accepted", accepted),
        },
        held,
        before,
        needs,
        more_held,
        more_needs,
        analyzers: parts(
            &here,
            &now,
            &analyzers,
            &[About::Line, About::Instrument, About::Controls, About::Clock, About::Care],
        ),
        receivers: parts(&here, &now, &receivers, &[About::Receiver, About::Refused]),
        here: if keeper { surroundings(&here, &now) } else { Vec::new() },
        last,
        frame: Frame::of(&here, "today").await?,
    };
    Ok(frame::shown(&here, StatusCode::OK, page.render()))
}

/// Daemon, stores, certificates, places that are told: for who keeps it.
fn surroundings(here: &Here, now: &Now) -> Vec<Part> {
    let abouts =
        [About::Daemon, About::Store, About::Certificate, About::Alarm, About::Day, About::Orders];
    let own = now.findings.iter().filter(|f| abouts.contains(&f.about) && !f.wrong);
    own.map(|f| Part {
        id: here.told(&f.named()),
        facts: vec![(here.t(about(f.about)), here.told(&f.text), false)],
    })
    .collect()
}

/// A report for a list.
pub async fn heard(here: &Here, item: &Item) -> Result<Heard, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let id = item.id.parse().unwrap_or(0);
    let kept = ledger.within(ledger.report(id, &bench.clock)).await;
    let readings = kept.map_err(|e| Halt::store(here.language, &e))?.map(|kept| kept.readings);
    let readings = readings.unwrap_or_default();
    let whole = visible(item.specimen.as_deref().unwrap_or(""));
    Ok(Heard {
        id: item.id.clone(),
        number: frame::cell(item.number.as_deref().unwrap_or("-")),
        analyzer: item.analyzer.clone(),
        specimen: frame::cell(item.specimen.as_deref().unwrap_or("")),
        whole,
        taken: taken(bench, item),
        strip: frame::strip(&readings, one_strip(bench, item)),
        abnormal: frame::abnormal(&readings),
        state: here.t(&format!("state.{}", item.state.text())),
        class: frame::class(item.state),
        glyph: frame::glyph(item.state),
    })
}
