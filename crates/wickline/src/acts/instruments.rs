//! Which instrument stands at an analyzer since when: the one place that says so. Numbers, passes of controls and
//! identities of one instrument are nothing to the one that takes its place.
//!
//! A print is of the instrument that stood there when it was heard; where the header names a serial number
//! (`{serial}` in `sender`), of the one that it names. One that nobody entered is nobody's: its prints are held, and
//! count neither among the numbers nor the controls of any.

use wickline_normalize::Report;
use wickline_normalize::judge::serial_in;

use super::facts::{reasoned, refused};
use crate::clock::SiteClock;
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Conn;
use crate::store::ledger::Ledger;
use crate::store::rows::instrument;
pub use crate::store::rows::instrument::Entered;
use crate::store::rows::report_entry;
use crate::store::trail::{Act, Actor, record};
use crate::texts::{Said, say};

/// Characters of a serial number at most, as OBX-18 and the configuration have them.
const LONGEST: usize = 20;

/// The instrument of a print whose header names one that nobody entered.
pub(crate) const NOBODYS: i64 = -1;

/// The instruments of one analyzer, the first first: never none.
#[derive(Clone, Debug)]
pub struct Instruments {
    first: Entered,
    others: Vec<Entered>,
}

impl Instruments {
    /// The one that stood there at a time.
    #[must_use]
    pub fn at(&self, us: i64) -> &Entered {
        self.others.iter().rev().find(|one| one.since <= us).unwrap_or(&self.first)
    }

    /// The one that stands there as far as anybody entered it.
    #[must_use]
    pub fn last(&self) -> &Entered {
        self.others.last().unwrap_or(&self.first)
    }

    /// Those that took another's place.
    #[must_use]
    pub fn replacements(&self) -> &[Entered] {
        &self.others
    }

    /// The one whose place another took.
    #[must_use]
    pub fn before(&self, one: &Entered) -> &Entered {
        self.others.iter().rev().find(|other| other.n < one.n).unwrap_or(&self.first)
    }

    /// The one that a print is of. None: it names one that nobody entered, or that was replaced before.
    pub(crate) fn of(
        &self,
        analyzer: &Analyzer,
        print: &Report,
        heard_at: i64,
    ) -> Option<&Entered> {
        let stood = self.at(heard_at);
        let pattern = analyzer.rules.sender.as_deref().unwrap_or("");
        let Some(named) = serial_in(pattern, print.sender.as_deref().unwrap_or("")) else {
            return Some(stood);
        };
        let since = |one: &&Entered| one.n >= stood.n && one.serial == named;
        std::iter::once(&self.first).chain(&self.others).find(since)
    }
}

/// The instruments of an analyzer, as people entered them; the first as the configuration names it.
pub(crate) async fn instruments(
    conn: &mut Conn,
    analyzer: &Analyzer,
) -> Result<Instruments, StoreError> {
    let mut all = instrument::of(conn, &analyzer.id).await?;
    let configured = || Entered {
        n: 0,
        since: 0,
        serial: analyzer.equipment.as_ref().map_or(String::new(), |(serial, _)| serial.clone()),
    };
    let first = match all.first() {
        Some(row) if row.n == 0 => all.remove(0),
        // The configuration names the one that stands there now: of the first nobody wrote down which it was.
        _ => match configured() {
            first if all.iter().any(|other| other.serial == first.serial) => {
                Entered { serial: String::new(), ..first }
            }
            first => first,
        },
    };
    Ok(Instruments { first, others: all })
}

/// The account that a report's number counts in.
pub(crate) fn counted(instrument: i64) -> u32 {
    u32::try_from(instrument).unwrap_or(0)
}

impl Entered {
    /// As the trail and people read it.
    #[must_use]
    pub fn told(&self, clock: &SiteClock) -> Said {
        let serial = match self.serial.as_str() {
            "" => say!("kept.none_known"),
            serial => serial.into(),
        };
        match self.n {
            0 => say!("kept.serial", serial = serial),
            _ => say!("kept.serial_since", serial = serial, at = clock.rfc3339(self.since)),
        }
    }
}

impl Ledger {
    /// The instruments of an analyzer.
    pub async fn instruments(&self, analyzer: &Analyzer) -> Result<Instruments, StoreError> {
        let mut conn = self.db.read().await?;
        let all = instruments(&mut conn, analyzer).await?;
        self.db.give_back(conn).await;
        Ok(all)
    }

    /// The instrument that a report is of, where it was entered.
    pub async fn instrument_of(&self, report: i64) -> Result<Option<Entered>, StoreError> {
        let mut conn = self.db.read().await?;
        let one = instrument::of_report(&mut conn, report).await?;
        self.db.give_back(conn).await;
        Ok(one)
    }

    /// Says that another instrument stands at an analyzer from `now` on. Returns the one that stood there.
    pub async fn instrument_replace(
        &self,
        bench: &Bench,
        actor: &Actor,
        analyzer: &Analyzer,
        serial: &str,
        reason: &str,
        now: i64,
    ) -> Result<Entered, StoreError> {
        reasoned(reason)?;
        let fits = (1..=LONGEST).contains(&serial.chars().count());
        if !fits || serial.trim() != serial || serial.chars().any(char::is_control) {
            return Err(refused(say!("no.serial_text", most = LONGEST)));
        }
        let mut write = self.act().await?;
        let all = instruments(write.conn(), analyzer).await?;
        let was = all.last().clone();
        if was.serial == serial {
            return Err(refused(say!(
                "no.serial_same",
                serial = serial,
                id = &analyzer.id,
                now = was.told(&bench.clock)
            )));
        }
        if was.since >= now {
            return Err(refused(say!(
                "no.serial_clock",
                was = was.told(&bench.clock),
                at = bench.clock.rfc3339(now)
            )));
        }
        // The first stays known by its serial number when the configuration names another.
        if was.n == 0 && !was.serial.is_empty() && all.others.is_empty() {
            let known = instrument::of(write.conn(), &analyzer.id).await?;
            if known.is_empty() {
                instrument::enter(&mut write, &analyzer.id, &was).await?;
            }
        }
        let one = Entered { n: was.n + 1, since: now, serial: serial.to_owned() };
        instrument::enter(&mut write, &analyzer.id, &one).await?;
        // It has a clock of its own.
        report_entry::keep_clock_samples(&mut write, &analyzer.id, &[]).await?;
        let act = Act {
            verb: "replace",
            object: format!("analyzer {}", analyzer.id),
            reason: Some(reason.to_owned()),
            was: Some(was.told(&bench.clock).to_string()),
            became: Some(one.told(&bench.clock).to_string()),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(was)
    }
}
