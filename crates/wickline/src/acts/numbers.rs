//! The account of an analyzer's numbers: what it told goes into rows, and what a person says of a number.

use wickline_normalize::Class;
use wickline_normalize::account::{Account, Came, Reset, Sequence, Spot, Stretch, Told, named};
use wickline_normalize::number::split;

use crate::clock;
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::rows::absent::{self, Absence, Absent};
use crate::store::rows::key_text;
use crate::store::rows::numbering::{self, Numbered};
use crate::store::rows::report::ReportRow;
use crate::store::state::NumberState;
use crate::store::trail::{Act, Actor, record};

/// A gap of more numbers than this is a jump. Our own choice, no source.
const JUMP: i64 = 50;

/// Numbers that did not come: `41-44`, four of them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Gap {
    pub numbers: String,
    pub count: i64,
}

/// What a number told, and whose it was.
#[derive(Clone, Debug)]
pub(crate) struct ToldNumber {
    pub told: Told,
    /// The day of the report that told it.
    pub day: String,
    pub class: Class,
}

/// The account of one instrument as it stands, for reports of `first_day` and later.
pub(crate) async fn account(
    write: &mut Write,
    analyzer: &Analyzer,
    instrument: u32,
    first_day: &str,
) -> Result<Account, StoreError> {
    let daily = analyzer.counting.reset == Reset::Daily;
    let runs = numbering::from_day(write, &analyzer.id, instrument, daily, first_day).await?;
    let said = runs.iter().any(|run| run.said);
    let mut account = Account::of(instrument, analyzer.counting, runs);
    if said {
        for (number, day) in numbering::undecided(write, &analyzer.id, instrument).await? {
            account.undecided(&split(&number, &analyzer.rules), &day);
        }
    }
    Ok(account)
}

/// Writes back what changed.
pub(crate) async fn keep(
    write: &mut Write,
    analyzer: &str,
    before: &Account,
    now: &Account,
) -> Result<(), StoreError> {
    let changed: Vec<&Sequence> =
        now.sequences().iter().filter(|s| !before.sequences().contains(s)).collect();
    numbering::keep(write, analyzer, &changed).await
}

/// A person says of a number that was used before that this was a run of its own: a patient under the number
/// of a control is no reason to ask, and may have been the first. Nothing becomes missing by it.
pub(crate) async fn began_again(
    write: &mut Write,
    bench: &Bench,
    open: &ReportRow,
) -> Result<(), StoreError> {
    let Some(analyzer) = bench.analyzer(&open.analyzer) else { return Ok(()) };
    let Some(number) = open.print.number.as_deref().map(key_text) else { return Ok(()) };
    let day = open.taken.map_or_else(|| bench.clock.day(open.heard_at), |t| t.day_text());
    let instrument = super::instruments::counted(open.instrument);
    let before = account(write, analyzer, instrument, &day).await?;
    let mut now = before.clone();
    let sequence = open.sequence.clone().unwrap_or_default();
    let mut run = numbering::used_twice(write, &open.analyzer, &sequence, &day, open.n).await?;
    run.push(Numbered { report: open.n, number, taken: open.taken });
    let mut heard = Vec::new();
    for Numbered { report, number: text, taken } in run {
        let number = split(&text, &analyzer.rules);
        let came = Came { day: &day, taken, repeat: false };
        let class = Class::of_number(&text, &analyzer.rules);
        let told = now.began_again(&number, came).into_iter();
        heard.extend(told.map(|told| ToldNumber { told, day: day.clone(), class }));
        let sequence = now.spot_of(&number, came).map(|spot| spot.sequence());
        numbering::belongs(write, report, sequence).await?;
    }
    keep(write, &analyzer.id, &before, &now).await?;
    note(write, &analyzer.id, &heard).await.map(drop)
}

impl Ledger {
    /// Looks at the jumps again that numbers seemed to make: where the configuration now tells classes apart
    /// by a digit, the number after one is of another class, and nothing is missing before it.
    pub async fn jumps_looked_at(&self, bench: &Bench) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        for analyzer in bench.analyzers.iter().filter(|a| !a.rules.leading_digits.is_empty()) {
            for row in absent::longer(&mut write, &analyzer.id, JUMP).await? {
                let next = named(&row.mark, row.to + 1, row.width);
                let rules = &analyzer.rules;
                if row.is_old()
                    || rules.leading_digit(&next).is_none()
                    || split(&next, rules).mark == row.mark
                {
                    continue;
                }
                let arrow = row.state.to(NumberState::Explained)?;
                let why = format!(
                    "the first digit tells its class: {next} is of another, and this was no jump"
                );
                absent::moved(&mut write, &row, (row.from, row.to), arrow, Some(&why)).await?;
                let last = named(&row.mark, row.to, row.width);
                let act = Act {
                    verb: "explain",
                    object: format!("number {}/{}-{last} on {}", row.analyzer, row.number, row.day),
                    reason: Some(why),
                    was: Some(row.state.text().into()),
                    became: Some(NumberState::Explained.text().into()),
                };
                record(&mut write, &Actor::daemon(), act).await?;
            }
        }
        write.commit().await
    }
}

/// Enters what the numbers told: those that did not come, and those that came after all. Returns the
/// gaps that are there now.
pub(crate) async fn note(
    write: &mut Write,
    analyzer: &str,
    heard: &[ToldNumber],
) -> Result<Vec<Gap>, StoreError> {
    let now = clock::now_us();
    let (mut open, mut last): (Vec<Stretch>, Vec<Gap>) = (Vec::new(), Vec::new());
    // In the order in which they were told: what one of them opened, the next may fill.
    for one in heard {
        let new = |spot: &Spot, to: i64, width: usize, number: String, reason: Absence| Absent {
            analyzer: analyzer.to_owned(),
            sequence: spot.sequence(),
            mark: spot.mark.clone(),
            from: spot.value,
            to,
            width,
            day: if spot.day.is_empty() { one.day.clone() } else { spot.day.clone() },
            number,
            class: one.class.code().to_owned(),
            state: NumberState::Missing,
            reason,
            why: None,
            noticed_at: now,
        };
        let gap = |stretch: &Stretch, reason: Absence| {
            let first = stretch.named(stretch.first.value);
            new(&stretch.first, stretch.to, stretch.width, first, reason)
        };
        match &one.told {
            Told::Missing(stretch) | Told::Unknown(stretch) => {
                let unknown = matches!(one.told, Told::Unknown(_));
                let reason = if unknown { Absence::Unknown } else { Absence::Skipped };
                absent::insert(write, &[gap(stretch, reason)]).await?;
                open.push(stretch.clone());
            }
            Told::UnknownAfter(spot) => {
                let number = format!("after {}{}", spot.mark, spot.value);
                last.push(Gap { numbers: number.clone(), count: 1 });
                let row = new(spot, spot.value, 0, number, Absence::LastUnknown);
                absent::insert(write, &[row]).await?;
            }
            Told::CameLate(spot) | Told::Before(spot) => {
                arrived(write, analyzer, spot).await?;
                open = open.into_iter().flat_map(|stretch| stretch.without(spot)).collect();
            }
            Told::HeardBefore(_)
            | Told::ResetSeen { .. }
            | Told::Wrapped { .. }
            | Told::Outside { .. } => {}
        }
    }
    let gap = |stretch: &Stretch| Gap { numbers: stretch.name(), count: stretch.count() };
    Ok(open.iter().map(gap).chain(last).collect())
}

/// A number came after all: it is cut out of what is missing or explained.
async fn arrived(write: &mut Write, analyzer: &str, spot: &Spot) -> Result<(), StoreError> {
    let sequence = spot.sequence();
    let own = (spot.value, spot.value);
    let mut rows = absent::within(write, analyzer, (&sequence, &spot.mark), own).await?;
    // Rows from before the account have the number alone, as their mark.
    let old = named(&spot.mark, spot.value, 0);
    let old = absent::within(write, analyzer, (&sequence, &old), (0, 0)).await?;
    rows.extend(old.into_iter().filter(Absent::is_old));
    for row in rows {
        if row.state != NumberState::Heard && row.reason != Absence::LastUnknown {
            let range = if row.is_old() { (0, 0) } else { own };
            let arrow = row.state.to(NumberState::Heard)?;
            absent::moved(write, &row, range, arrow, row.why.as_deref()).await?;
        }
    }
    Ok(())
}
