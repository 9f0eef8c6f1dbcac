//! The care log: what was done for an analyzer is signed for, struck through where it was wrong; what is due is said.
//! Nothing is held for it; but a strip canister that is opened is the strip lot in use, by the act that a new lot is.

use jiff::civil::Date;
use serde::Serialize;
use wickline_normalize::StripLot;

use super::facts::refused;
use super::strip_lots::{checked, put_in_use, strip_named};
use crate::clock::{self, SiteClock};
use crate::settings::bench::{Analyzer, Bench, Care, Every};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::care::{self, CareRow};
use crate::store::trail::{Act, Actor, record};
use crate::texts::{Said, say};

/// One entry of the log, for people and scripts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct CareEntry {
    pub n: i64,
    pub name: String,
    pub analyzer: String,
    pub day: String,
    pub at: String,
    pub who: String,
    pub lot: Option<String>,
    pub use_until: Option<String>,
    pub reason: Option<String>,
    pub struck: Option<Struck>,
}

/// Who struck it through, when and why.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Struck {
    pub at: String,
    pub who: String,
    pub why: String,
}

impl CareEntry {
    fn of(row: CareRow, clock: &SiteClock) -> Self {
        let struck = row.struck.map(|(at, who, why)| Struck { at: clock.rfc3339(at), who, why });
        let CareRow { n, name, analyzer, day, who, lot, use_until, reason, .. } = row;
        let at = clock.rfc3339(row.at);
        Self { n, name, analyzer, day, at, who, lot, use_until, reason, struck }
    }

    /// In one line, for a day sheet.
    #[must_use]
    pub fn words(&self) -> Said {
        let Self { name, analyzer, who, .. } = self;
        let mut words = Said::from(format!("{analyzer}: {name}, "));
        if let Some(lot) = &self.lot {
            let until = self.use_until.as_deref().unwrap_or("-");
            words = words.then(say!("cared.lot", lot = lot, until = until)).then(", ");
        }
        words = words.then(say!("cared.signed_by", who = who));
        match &self.struck {
            Some(Struck { who, why, .. }) => {
                words.then("; ").then(say!("cared.struck_by", who = who, why = why))
            }
            None => words,
        }
    }
}

/// How one care of one analyzer stands.
#[derive(Clone, Debug, Serialize)]
pub struct CareStand {
    pub analyzer: String,
    pub name: String,
    pub every: &'static str,
    pub due: bool,
    /// Since when it is good, or why it is due.
    pub words: Said,
    pub last: Option<CareEntry>,
    #[serde(skip)]
    pub is_opened: bool,
}

/// What somebody signs for.
#[derive(Clone, Debug, Default)]
pub struct Signing<'a> {
    pub name: &'a str,
    /// None: today.
    pub day: Option<&'a str>,
    pub lot: Option<&'a str>,
    pub use_until: Option<&'a str>,
    /// The strip type of a canister, where the analyzer has several.
    pub strip: Option<&'a str>,
    pub reason: Option<&'a str>,
}

/// The first day of the period in which a day lies.
fn began(every: Every, today: &str) -> String {
    let Ok(date) = today.parse::<Date>() else { return today.to_owned() };
    let back = match every {
        Every::Week => i64::from(date.weekday().to_monday_zero_offset()),
        Every::Month => i64::from(date.day()) - 1,
        Every::Day | Every::Canister | Every::Vial => 0,
    };
    let first = date.checked_sub(jiff::Span::new().days(back));
    first.map_or(today.to_owned(), |day| day.to_string())
}

/// Whether it is due on a day, and why or why not.
fn due(every: Every, last: Option<&CareRow>, today: &str) -> (bool, Said) {
    let since = last.map(|row| row.day.as_str());
    if every.opens() {
        let until = last.and_then(|row| row.use_until.as_deref());
        return match (since, until) {
            (Some(day), Some(until)) if until < today => {
                (true, say!("cared.opened_over", day = day, until = until))
            }
            (Some(day), Some(until)) => {
                (false, say!("cared.opened_until", day = day, until = until))
            }
            (Some(day), None) => (false, say!("cared.opened", day = day)),
            (None, _) => (false, say!("cared.none")),
        };
    }
    match (since, every) {
        (Some(day), _) if *day >= *began(every, today) => {
            (false, say!("cared.signed_on", day = day))
        }
        (Some(day), Every::Week) => (true, say!("cared.due_week", day = day)),
        (Some(day), Every::Month) => (true, say!("cared.due_month", day = day)),
        (Some(day), _) => (true, say!("cared.due_today", day = day)),
        (None, Every::Week) => (true, say!("cared.never_week")),
        (None, Every::Month) => (true, say!("cared.never_month")),
        (None, _) => (true, say!("cared.never_today")),
    }
}

fn of<'a>(bench: &'a Bench, analyzer: &'a Analyzer) -> impl Iterator<Item = &'a Care> {
    bench.cares.iter().filter(|care| care.is_of(analyzer))
}

impl Ledger {
    /// How every care that is asked for stands now.
    pub async fn care_stands(
        &self,
        bench: &Bench,
        analyzer: &Analyzer,
    ) -> Result<Vec<CareStand>, StoreError> {
        let today = bench.clock.day(clock::now_us());
        let mut conn = self.db.read().await?;
        let mut stands = Vec::new();
        for care in of(bench, analyzer) {
            let last = care::last(&mut conn, &analyzer.id, &care.name).await?;
            let (due, words) = due(care.every, last.as_ref(), &today);
            stands.push(CareStand {
                analyzer: analyzer.id.clone(),
                name: care.name.clone(),
                every: care.every.text(),
                due,
                words,
                last: last.map(|row| CareEntry::of(row, &bench.clock)),
                is_opened: care.every.opens(),
            });
        }
        self.db.give_back(conn).await;
        Ok(stands)
    }

    /// The first day on which somebody signed for a care: before it nobody was asked.
    pub async fn care_since(
        &self,
        analyzer: &str,
        name: &str,
    ) -> Result<Option<String>, StoreError> {
        let mut conn = self.db.read().await?;
        let since = care::since(&mut conn, analyzer, name).await?;
        self.db.give_back(conn).await;
        Ok(since)
    }

    /// The entries of an analyzer from one day to another, both included, struck ones among them.
    pub async fn care_entries(
        &self,
        bench: &Bench,
        analyzer: &str,
        days: (&str, &str),
    ) -> Result<Vec<CareEntry>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = care::of_days(&mut conn, analyzer, days).await?;
        self.db.give_back(conn).await;
        Ok(rows.into_iter().map(|row| CareEntry::of(row, &bench.clock)).collect())
    }

    /// Somebody signs that it was done. What was done on an earlier day needs a reason.
    pub async fn care_sign(
        &self,
        bench: &Bench,
        actor: &Actor,
        analyzer: &Analyzer,
        what: &Signing<'_>,
    ) -> Result<CareEntry, StoreError> {
        let now = clock::now_us();
        let today = bench.clock.day(now);
        let care = named(bench, analyzer, what.name)?;
        let day = day_of(care.every, what, &today)?;
        let lot = lot_of(care, what, &today)?;
        let mut write = self.act().await?;
        if !care.every.opens() {
            let there = care::of_days(write.conn(), &analyzer.id, (&day, &day)).await?;
            let mut same = there.iter().filter(|row| row.name == care.name && row.struck.is_none());
            if let Some(row) = same.next() {
                return Err(refused(say!(
                    "no.care_signed",
                    name = &care.name,
                    id = &analyzer.id,
                    day = day,
                    who = &row.who
                )));
            }
        }
        if let (Every::Canister, Some(lot)) = (care.every, &lot) {
            let strip = strip_named(analyzer, what.strip)?;
            put_in_use(&mut write, actor, (analyzer, strip), lot, now, what.reason).await?;
        }
        let (lot, use_until) = lot.map_or((None, None), |lot| (Some(lot.lot), lot.last_day));
        let entry = CareRow {
            n: 0,
            name: care.name.clone(),
            analyzer: analyzer.id.clone(),
            day,
            at: now,
            who: actor.name.clone(),
            lot,
            use_until,
            reason: what.reason.map(str::to_owned),
            struck: None,
        };
        let entry = CareEntry::of(care::enter(&mut write, entry).await?, &bench.clock);
        let act = Act {
            verb: "care",
            object: format!("care {} of {}", entry.n, entry.analyzer),
            reason: entry.reason.clone(),
            became: Some(format!("{}: {}", entry.day, entry.words())),
            ..Act::default()
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(entry)
    }

    /// Strikes an entry through: it stays in the log and counts no more.
    pub async fn care_strike(
        &self,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        reason: &str,
    ) -> Result<CareEntry, StoreError> {
        let mut write = self.act().await?;
        let Some(row) = care::one(write.conn(), n).await? else {
            return Err(refused(say!("no.care_entry", n = n)));
        };
        if let Some((_, who, _)) = &row.struck {
            return Err(refused(say!("no.care_struck", n = n, who = who)));
        }
        let now = clock::now_us();
        care::strike(&mut write, n, now, (&actor.name, reason)).await?;
        let was = CareEntry::of(row.clone(), &bench.clock);
        let act = Act {
            verb: "strike",
            object: format!("care {n} of {}", row.analyzer),
            reason: Some(reason.to_owned()),
            was: Some(format!("{}: {}", was.day, was.words())),
            ..Act::default()
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        let struck = Some((now, actor.name.clone(), reason.to_owned()));
        Ok(CareEntry::of(CareRow { struck, ..row }, &bench.clock))
    }
}

/// The care of this name.
fn named<'a>(bench: &'a Bench, analyzer: &'a Analyzer, name: &str) -> Result<&'a Care, StoreError> {
    let known: Vec<&str> = of(bench, analyzer).map(|care| care.name.as_str()).collect();
    let found = of(bench, analyzer).find(|care| care.name == name);
    found.ok_or_else(|| match known.is_empty() {
        true => refused(say!("no.care_of", id = &analyzer.id)),
        false => {
            refused(say!("no.care_named", name = name, id = &analyzer.id, known = known.join("; ")))
        }
    })
}

fn date(text: &str) -> Result<String, StoreError> {
    let date: Result<Date, _> = text.parse();
    date.map(|date| date.to_string()).map_err(|_| refused(say!("no.date", text = text)))
}

fn day_of(every: Every, what: &Signing<'_>, today: &str) -> Result<String, StoreError> {
    let day = what.day.map_or(Ok(today.to_owned()), date)?;
    if *day > *today {
        return Err(refused(say!("no.care_early", day = day)));
    }
    if *day < *today && every == Every::Canister {
        return Err(refused(say!("no.canister_now")));
    }
    if *day < *today && what.reason.is_none() {
        return Err(refused(say!("no.care_late", day = day)));
    }
    Ok(day)
}

/// The lot of what is opened, with the day until which it may be used.
fn lot_of(care: &Care, what: &Signing<'_>, today: &str) -> Result<Option<StripLot>, StoreError> {
    if !care.every.opens() {
        return match (what.lot, what.use_until) {
            (None, None) => Ok(None),
            _ => Err(refused(say!("no.care_no_lot", name = &care.name))),
        };
    }
    let (Some(lot), Some(until)) = (what.lot, what.use_until) else {
        return Err(refused(say!("no.care_lot", name = &care.name)));
    };
    let lot = StripLot { lot: lot.to_owned(), last_day: Some(date(until)?) };
    checked(&lot, today)?;
    Ok(Some(lot))
}

#[cfg(test)]
mod tests {
    use super::{CareRow, Every, began, due};

    fn row(day: &str, use_until: Option<&str>) -> CareRow {
        CareRow {
            n: 1,
            name: "x".into(),
            analyzer: "bench-1".into(),
            day: day.into(),
            at: 0,
            who: "J. Mast".into(),
            lot: None,
            use_until: use_until.map(str::to_owned),
            reason: None,
            struck: None,
        }
    }

    /// 2026-11-30 is a Monday (ISO 8601: a week begins with it).
    #[test]
    fn what_is_due_is_due_once_in_its_period() {
        assert_eq!(began(Every::Week, "2026-11-29"), "2026-11-23");
        assert_eq!(began(Every::Week, "2026-11-30"), "2026-11-30");
        assert_eq!(began(Every::Month, "2026-02-28"), "2026-02-01");
        for (every, last, today, is_due) in [
            (Every::Day, "2026-11-29", "2026-11-29", false),
            (Every::Day, "2026-11-29", "2026-11-30", true),
            (Every::Week, "2026-11-23", "2026-11-29", false),
            (Every::Week, "2026-11-29", "2026-11-30", true),
            (Every::Month, "2026-11-01", "2026-11-30", false),
            (Every::Month, "2026-10-31", "2026-11-01", true),
        ] {
            assert_eq!(due(every, Some(&row(last, None)), today).0, is_due, "{every:?} {today}");
        }
        for every in [Every::Day, Every::Week, Every::Month] {
            assert!(due(every, None, "2026-11-30").0, "never signed");
        }
        let open = row("2026-11-01", Some("2026-11-29"));
        assert!(!due(Every::Canister, Some(&open), "2026-11-29").0, "its last day counts");
        assert!(due(Every::Vial, Some(&open), "2026-11-30").0);
        assert!(!due(Every::Vial, None, "2026-11-30").0, "nobody opened one");
    }
}
