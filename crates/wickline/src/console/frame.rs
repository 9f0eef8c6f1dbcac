//! What stands around every page: date and place, the field for a scan, the register of pages with its counts, who is
//! there; and the drawings that all of them share.

use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Response};
use wickline_normalize::readings::Reading;
use wickline_normalize::{Flag, Strip};

use super::halt::{self, Halt};
use super::here::Here;
use super::memory::Told;
use crate::acts::people;
use crate::acts::people::PersonRole;
use crate::clock;
use crate::digest;
use crate::seen::visible;
use crate::settings::bench::Bench;
use crate::sheet::calls;
use crate::store::lists::reports::{Delivery, Item};
use crate::store::state::State;

/// Characters of an id that stand in a cell: the whole is its title.
const WIDEST: usize = 40;

/// One index tab.
pub(super) struct Tab {
    pub path: &'static str,
    pub name: &'static str,
    pub key: &'static str,
    pub open: bool,
    /// How many, and the class by which that is drawn.
    pub counts: Vec<(String, &'static str)>,
    /// Among the other pages on a phone.
    pub far: bool,
}

/// What stands around a page.
pub(super) struct Frame {
    pub here: Here,
    /// The name of the page, as the texts have it.
    page: &'static str,
    at: i64,
    held: i64,
    refused: i64,
    /// Reports that must be told by telephone.
    due: Vec<String>,
    pub told: Option<Told>,
}

/// The pages that have a tab, with their keys; the last ones are among the others on a phone.
const TABS: [(&str, &str, &str); 12] = [
    ("today", "/today", "t"),
    ("held", "/held", "h"),
    ("queue", "/queue", "q"),
    ("day", "/day", "d"),
    ("controls", "/controls", "c"),
    ("orders", "/orders", "o"),
    ("care", "/care", "k"),
    ("line", "/line", "l"),
    ("mapping", "/mapping", "m"),
    ("trail", "/trail", "r"),
    ("people", "/people", "p"),
    ("me", "/me", ""),
];
/// How many stand in the bar of a phone.
const NEAR: usize = 4;

impl Frame {
    pub async fn of(here: &Here, page: &'static str) -> Result<Self, Halt> {
        let ledger = &here.ledger;
        let asked = async {
            let mut refused = 0;
            for target in &here.bench.targets {
                refused += ledger.refused_at(&target.id).await?;
            }
            let due = calls::due(ledger, &here.bench).await?;
            let due: Vec<String> = due.into_iter().map(|item| item.id).collect();
            Ok((ledger.held_count().await?, refused, due))
        };
        let (held, refused, due) =
            ledger.within(asked).await.map_err(|e| Halt::store(here.language, &e))?;
        let told = here.site.memory.told(&here.session.mark);
        Ok(Self { here: here.clone(), page, at: clock::now_us(), held, refused, due, told })
    }

    /// The same page, which says why an act was not done.
    pub fn with(mut self, refusal: Option<String>) -> Self {
        if let Some(text) = refusal {
            self.told = Some(Told { good: false, text });
        }
        self
    }

    /// Whether somebody must be told of this report by telephone.
    pub fn is_due(&self, report: &str) -> bool {
        self.due.iter().any(|due| due == report)
    }

    pub fn t(&self, place: &str) -> &'static str {
        self.here.t(place)
    }

    pub fn name(&self) -> &'static str {
        self.t(&format!("page.{}", self.page))
    }

    pub fn language(&self) -> &'static str {
        self.here.language.code()
    }

    pub fn theme(&self) -> &str {
        &self.here.choices.theme
    }

    pub fn site(&self) -> &str {
        &self.here.bench.site_name
    }

    /// Day, weekday, month and year, as the texts write them.
    pub fn date(&self) -> [String; 4] {
        let day = self.here.bench.clock.day(self.at);
        let part = |range: std::ops::Range<usize>| day.get(range).unwrap_or("").to_owned();
        let month = self.t(&format!("month.{}", part(5..7)));
        let weekday = self.t(&format!("weekday.{}", self.here.bench.clock.weekday(self.at)));
        [part(8..10), weekday.into(), month.into(), part(0..4)]
    }

    pub fn time(&self) -> String {
        time(&self.here.bench, self.at)
    }

    /// The same to the minute, as people write it down.
    pub fn minute(&self) -> String {
        self.here.bench.clock.time_of_day(self.at).get(..5).unwrap_or("").to_owned()
    }

    pub fn tabs(&self) -> Vec<Tab> {
        let shown = |(page, ..): &&(&str, &str, &str)| match *page {
            "people" => self.here.may(PersonRole::Keeper),
            "orders" => self.here.bench.has_orders(),
            "care" => !self.here.bench.cares.is_empty(),
            _ => true,
        };
        let tabs = TABS.iter().filter(shown).enumerate();
        tabs.map(|(nth, (page, path, key))| Tab {
            path,
            name: self.t(&format!("page.{page}")),
            key,
            open: *page == self.tab(),
            counts: self.counts(page),
            far: nth >= NEAR,
        })
        .collect()
    }

    /// Under which tab this page stands.
    fn tab(&self) -> &'static str {
        match self.page {
            "calls" => "queue",
            "charts" | "positivity" | "review" => "controls",
            page => page,
        }
    }

    /// What waits for somebody behind a tab.
    fn counts(&self, page: &str) -> Vec<(String, &'static str)> {
        let n = |n: i64| self.here.language.number(n);
        let mut counts = Vec::new();
        if page == "held" && self.held > 0 {
            counts.push((n(self.held), "held"));
        }
        if page == "queue" && !self.due.is_empty() {
            let due = i64::try_from(self.due.len()).unwrap_or(i64::MAX);
            counts.push((format!("{} {}", self.t("class.stat"), n(due)), "refused"));
        }
        if page == "queue" && self.refused > 0 {
            counts.push((n(self.refused), "refused"));
        }
        counts
    }

    pub fn who(&self) -> &str {
        &self.here.person.name
    }

    pub fn role(&self) -> &'static str {
        self.t(halt::role(self.here.person.role))
    }

    /// A name for one sending of a form.
    pub fn once(&self) -> String {
        people::key().unwrap_or_default().chars().take(32).collect()
    }

    /// Whether an act that needs the password must ask for it.
    pub fn asks_password(&self) -> bool {
        !self.here.has_proved()
    }

    /// Seconds after which somebody who does nothing is signed out.
    pub fn idle(&self) -> i64 {
        self.here.bench.console_rules.idle_us / 1_000_000
    }

    /// A key as this person presses it.
    pub fn key(&self, key: &str) -> String {
        if self.here.choices.keys { key.to_owned() } else { format!("Alt+{key}") }
    }

    /// The keys of this page beside those of the tabs.
    pub fn keys(&self) -> Vec<(String, &'static str)> {
        let own: &[(&str, &str)] = match self.page {
            "today" => &[("1–7", "keys.row")],
            "held" => &[("i", "keys.identify"), ("e", "keys.release"), ("a", "keys.aside")],
            "report" | "day" => &[("[", "keys.before"), ("]", "keys.after")],
            _ => &[],
        };
        let own = own.iter().map(|(key, words)| (self.key(key), self.t(words)));
        let always = [("/", "keys.scan"), ("↑ ↓", "keys.rows"), ("Esc", "keys.close")];
        let always = always.into_iter().map(|(key, words)| (key.to_owned(), self.t(words)));
        own.chain(always).chain([(self.key("?"), self.t("keys.list"))]).collect()
    }

    pub fn version(&self) -> &'static str {
        env!("CARGO_PKG_VERSION")
    }

    pub fn style(&self) -> &'static str {
        super::pages::assets::style()
    }

    pub fn script(&self) -> &'static str {
        super::pages::assets::script()
    }
}

/// A page as it goes out.
pub(super) fn shown(
    here: &Here,
    code: StatusCode,
    page: Result<String, askama::Error>,
) -> Response {
    match page {
        Ok(page) => (code, Html(page)).into_response(),
        Err(error) => {
            tracing::error!(%error, "a page could not be made");
            Halt::lost(here.language).into_response()
        }
    }
}

/// A time of today as a clock on the wall has it, else with its day.
pub(super) fn time(bench: &Bench, at: i64) -> String {
    moment(bench, &bench.clock.rfc3339(at))
}

/// The same of a time in RFC 3339.
pub(super) fn moment(bench: &Bench, text: &str) -> String {
    let today = bench.clock.day(clock::now_us());
    let (day, time) = (text.get(..10).unwrap_or(""), text.get(11..19).unwrap_or(text));
    if day == today || day.is_empty() {
        time.to_owned()
    } else {
        format!("{day} {}", time.get(..5).unwrap_or(time))
    }
}

/// A text of somebody else for a page: controls by their names, marks of direction kept inside by `bdi`, and no more of
/// it than a cell holds.
pub(super) fn cell(text: &str) -> String {
    let seen = visible(text);
    if seen.chars().count() <= WIDEST {
        return seen;
    }
    let short: String = seen.chars().take(WIDEST).collect();
    format!("{short}…")
}

/// Whose it is, in the words of the pages: a patient's, urgent or not, or control material of a level.
pub(super) fn class_name(here: &Here, item: &Item) -> String {
    let name = match item.class.as_str() {
        "stat" => here.t("class.stat"),
        "control" => here.t("class.control"),
        _ => here.t("class.routine"),
    };
    match &item.level {
        Some(level) => format!("{name} {}", visible(level)),
        None => name.to_owned(),
    }
}

/// Where it is at each receiver, in the words of the pages.
pub(super) fn way(here: &Here, item: &Item) -> String {
    let at = |d: &Delivery| {
        let state = match d.on_hold {
            true => here.t("queue.is_kept_back"),
            false => here.t(&format!("state.{}", d.state.text())),
        };
        format!("{} {state}", d.receiver)
    };
    item.deliveries.iter().map(at).collect::<Vec<_>>().join(", ")
}

/// The class by which a state is drawn.
pub(super) fn class(state: State) -> &'static str {
    match state {
        State::Held => "is-held",
        State::Refused => "is-refused",
        State::Missing => "is-missing",
        State::Accepted => "is-accepted",
        State::Waiting => "is-waiting",
        State::Filed => "is-filed",
        State::Repeat => "is-repeat",
        State::SetAside => "is-set-aside",
        State::Explained => "is-explained",
        State::Heard => "is-heard",
    }
}

/// The name of the drawing at the end of its line.
pub(super) fn glyph(state: State) -> &'static str {
    class(state).get(3..).unwrap_or("heard")
}

/// How a report stands now: a form that was made of another state changes nothing.
pub(super) fn seen(item: &Item) -> String {
    let holds: Vec<_> = item.holds.iter().map(|h| format!("{}{}", h.reason, h.cleared)).collect();
    let specimen = item.specimen.as_deref().unwrap_or("");
    let deliveries: Vec<_> =
        item.deliveries.iter().map(|d| format!("{}{}", d.message, d.state.text())).collect();
    let text = format!("{}|{holds:?}|{specimen}|{deliveries:?}", item.state.text());
    digest::of(&text).chars().take(16).collect()
}

/// A strip at a glance: each pad's ladder, and the rung that was found on it; filled from the base where it is
/// abnormal. Numbers alone go into the drawing.
pub(super) fn strip(readings: &[Reading], strip: Option<&Strip>) -> String {
    let Some(strip) = strip else { return String::new() };
    let width = strip.pads.len() * 11;
    let (mut lines, mut feet, mut found, mut filled) =
        (String::new(), String::new(), String::new(), String::new());
    for (nth, pad) in strip.pads.iter().enumerate() {
        let x = 5 + nth * 11;
        lines.push_str(&format!("M{x} 3V23"));
        feet.push_str(&format!("M{} 23h6", x - 3));
        let reading = readings.iter().find(|r| r.analyte.as_deref() == Some(pad.id.as_str()));
        let Some((reading, rung)) = reading.and_then(|r| Some((r, r.rung?))) else { continue };
        let steps = pad.rungs.len().saturating_sub(1).max(1);
        let height = 2 + rung * 20 / steps;
        if matches!(reading.flag, None | Some(Flag::N)) {
            let y = 24 - height.max(3);
            found.push_str(&format!("M{} {y}h6v3h-6z", x - 3));
        } else {
            let y = 23 - height.min(22);
            filled.push_str(&format!("M{} {y}h8V23h-8z", x - 4));
        }
    }
    format!(
        "<svg class=\"strip\" width=\"{width}\" height=\"26\" viewBox=\"0 0 {width} 26\" aria-hidden=\"true\">\
         <path class=\"s-l\" d=\"{lines}\"/><path class=\"s-b\" d=\"{feet}\"/>\
         <path class=\"s-n\" d=\"{found}\"/><path class=\"s-a\" d=\"{filled}\"/></svg>"
    )
}

/// The abnormal ones in words, as the analyzer and our reference have them.
pub(super) fn abnormal(readings: &[Reading]) -> String {
    let words = crate::acts::comparing::texts(readings);
    let odd = readings.iter().zip(words).filter(|(r, _)| !matches!(r.flag, None | Some(Flag::N)));
    odd.map(|(_, (name, text))| format!("{name} {text}")).collect::<Vec<_>>().join(", ")
}
