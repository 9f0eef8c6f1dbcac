//! A day by kinds of reports: what no sum of its sheet tells apart is counted along an index, so that a long day is
//! summed up without a look at each report. What a kind means is said by the rules that every list goes by.

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};
use wickline_normalize::Class;

use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::reports::{Delivery, Item, counts, summarize};
use crate::store::rows::at;
use crate::store::rows::report::class_of;
use crate::store::state::{MessageState, ReportState, State};

/// Each report of a day with its way: every message of it as it stands, oldest first. Texts that others chose stand
/// behind their length.
const WAYS: &str = "SELECT r.n, r.analyzer, r.class, r.state, r.unsent, r.heard_at, \
     coalesce((SELECT string_agg(CAST(length(m.receiver) AS TEXT) || ':' || m.receiver || ' ' || m.state || ' ' || \
     CAST(m.kept_back AS TEXT) || ' ' || coalesce(m.amends, '-') || ' ' || \
     coalesce(CAST(length(m.filler) AS TEXT) || ':' || m.filler, '-'), ' ' ORDER BY m.n) \
     FROM message m WHERE m.report = r.n), '') AS way FROM report r WHERE r.day = $1";

/// Reports of a day that no sum tells apart.
#[derive(Clone, Debug)]
pub struct Kind {
    /// The first of them, as far as sums go by it, and how many they are.
    pub item: Item,
    first: i64,
    class: Class,
    state: ReportState,
    way: String,
}

impl Ledger {
    /// The kinds of reports of a local day.
    pub async fn day_kinds(&self, day: &str, clock: &SiteClock) -> Result<Vec<Kind>, StoreError> {
        let mut conn = self.db.read().await?;
        let sql = format!(
            "SELECT analyzer, class, state, unsent, way, count(*) AS many, min(n) AS first, \
             min(heard_at) AS heard_at FROM ({WAYS}) k GROUP BY analyzer, class, state, unsent, way"
        );
        let query = sqlx::query(AssertSqlSafe(sql)).bind(day.to_owned());
        let rows = query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(|row| self.kind(row, clock)).collect()
    }

    /// The first reports of a kind.
    pub async fn of_kind(&self, day: &str, kind: &Kind, most: i64) -> Result<Vec<i64>, StoreError> {
        let mut conn = self.db.read().await?;
        let sql = format!(
            "SELECT n FROM ({WAYS} AND r.n >= $2) k WHERE analyzer = $3 AND class = $4 AND state = $5 \
             AND unsent = $6 AND way = $7 ORDER BY n LIMIT $8"
        );
        let query = sqlx::query(AssertSqlSafe(sql))
            .bind(day.to_owned())
            .bind(kind.first)
            .bind(kind.item.analyzer.clone())
            .bind(kind.class.code())
            .bind(kind.state.text())
            .bind(i64::from(kind.item.unsent))
            .bind(kind.way.clone())
            .bind(most.min(kind.item.numbers.unwrap_or(1)));
        let rows = query.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = rows.iter().map(|row| row.try_get(0)).collect::<Result<_, sqlx::Error>>();
        read.map_err(|e| self.wrong(&e))
    }

    fn kind(&self, row: &AnyRow, clock: &SiteClock) -> Result<Kind, StoreError> {
        let wrong = |e: sqlx::Error| self.wrong(&e);
        let text = |column: &'static str| row.try_get::<String, _>(column).map_err(wrong);
        let whole = |column: &'static str| row.try_get::<i64, _>(column).map_err(wrong);
        let (first, way) = (whole("first")?, text("way")?);
        let place = at("report", first);
        let state = place.word("state", &text("state")?, ReportState::of)?;
        let class = place.word("class", &text("class")?, class_of)?;
        let mut item = Item {
            id: first.to_string(),
            analyzer: text("analyzer")?,
            numbers: Some(whole("many")?),
            class: class.code().to_owned(),
            state: state.into(),
            heard_at: Some(clock.rfc3339(whole("heard_at")?)),
            unsent: whole("unsent")? != 0,
            ..Item::default()
        };
        let mut rest = way.as_str();
        while !rest.is_empty() {
            let place = at("message", format!("of report {first}"));
            let next = delivery(&mut rest);
            let next = next.ok_or_else(|| place.wrong("state", "no way that can be read"))?;
            let (next, word) = next;
            let state = place.word("state", word, MessageState::of)?;
            counts(&mut item.deliveries, Delivery { state: State::from(state), ..next });
        }
        summarize(&mut item);
        Ok(Kind { item, first, class, state, way })
    }
}

/// The next message of a way, and the word that says how it stands.
fn delivery<'a>(rest: &mut &'a str) -> Option<(Delivery, &'a str)> {
    let receiver = measured(rest)?.to_owned();
    let [state, kept_back, amends] = [word(rest)?, word(rest)?, word(rest)?];
    let retired = match rest.strip_prefix('-') {
        Some(after) => {
            *rest = after.strip_prefix(' ').unwrap_or(after);
            None
        }
        None => Some(measured(rest)?.to_owned()),
    };
    let amends = Some(amends.to_owned()).filter(|a| a != "-");
    Some((
        Delivery { receiver, amends, retired, on_hold: kept_back != "0", ..Delivery::default() },
        state,
    ))
}

/// A text behind its length.
fn measured<'a>(rest: &mut &'a str) -> Option<&'a str> {
    let (length, text) = rest.split_once(':')?;
    let length: usize = length.parse().ok()?;
    let end = text.char_indices().nth(length).map_or(text.len(), |(at, _)| at);
    let (text, after) = text.split_at(end);
    *rest = after.strip_prefix(' ').unwrap_or(after);
    Some(text)
}

fn word<'a>(rest: &mut &'a str) -> Option<&'a str> {
    let (word, after) = rest.split_once(' ')?;
    *rest = after;
    Some(word)
}

#[cfg(test)]
mod tests {
    use super::delivery;

    #[test]
    fn a_way_is_read_whatever_others_called_things() {
        let mut rest =
            "3:lis accepted 0 - - 5:a b:c waiting 1 withdraws 6:ü 4:x  2:lx set-aside 0 corrects -";
        let mut found = Vec::new();
        while !rest.is_empty() {
            let (one, state) = delivery(&mut rest).expect("a message");
            found.push((one.receiver, state, one.on_hold, one.amends, one.retired));
        }
        let some = |text: &str| Some(text.to_owned());
        assert_eq!(
            found,
            [
                ("lis".to_owned(), "accepted", false, None, None),
                ("a b:c".to_owned(), "waiting", true, some("withdraws"), some("ü 4:x ")),
                ("lx".to_owned(), "set-aside", false, some("corrects"), None),
            ]
        );
        for wrong in
            ["lis", "3:lis", "3:lis accepted", "x:lis accepted 0 - -", "3:lis accepted 0 - z"]
        {
            assert!(delivery(&mut &*wrong).is_none(), "{wrong}");
        }
    }
}
