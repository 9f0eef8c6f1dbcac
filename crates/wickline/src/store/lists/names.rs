//! How people name messages: `17@lis` is what report 17 says to receiver lis. Its number in the ledger is
//! nobody's business.

use std::collections::BTreeMap;
use std::fmt;

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::message;
use crate::store::state::State;

/// Behind the name of a message that takes back what was told before.
const WITHDRAWAL: &str = "/withdrawal";

/// Reports in one range at most.
const MOST: i64 = 100_000;

/// What a message is called.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Name {
    pub report: i64,
    pub receiver: String,
    /// It takes back what was told: beside it the same report may go anew under another OBR-3.
    pub withdraws: bool,
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let end = if self.withdraws { WITHDRAWAL } else { "" };
        f.pad(&format!("{}@{}{end}", self.report, self.receiver))
    }
}

impl serde::Serialize for Name {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl Name {
    /// From a row of `message`: report, receiver, amends.
    pub(crate) fn read(row: &AnyRow) -> Result<Self, sqlx::Error> {
        let amends: Option<String> = row.try_get("amends")?;
        Ok(Self {
            report: row.try_get("report")?,
            receiver: row.try_get("receiver")?,
            withdraws: amends.as_deref() == Some("withdraws"),
        })
    }

    /// What the trail says that an act was done to: `report 17 at lis`.
    #[must_use]
    pub fn object(&self) -> String {
        format!("report {} at {}", self.report, self.receiver)
    }
}

/// What a person typed: reports, perhaps with a receiver, or one control id.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Typed {
    Reports { first: i64, last: i64, receiver: Option<String>, withdraws: bool },
    Control(String),
}

impl Typed {
    /// Reads `17`, `17@lis`, `17@lis/withdrawal`, `12-40`, `12-40@lis` or a control id.
    pub fn parse(text: &str) -> Result<Self, String> {
        let wrong = || {
            format!(
                "`{text}` names no message: write a report's id (17), with its receiver (17@lis), a range \
                 (12-40, 12-40@lis), or a control id"
            )
        };
        if text.starts_with(|c: char| c.is_ascii_alphabetic()) {
            let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.');
            let fits = text.len() <= 20 && text.bytes().all(plain);
            return if fits { Ok(Typed::Control(text.to_owned())) } else { Err(wrong()) };
        }
        let (reports, receiver) = match text.split_once('@') {
            None => (text, None),
            Some((_, "")) => return Err(wrong()),
            Some((reports, receiver)) => (reports, Some(receiver)),
        };
        let withdraws = receiver.is_some_and(|r| r.ends_with(WITHDRAWAL));
        let receiver = receiver.map(|r| r.strip_suffix(WITHDRAWAL).unwrap_or(r).to_owned());
        let id = |t: &str| t.trim_start_matches('#').parse::<i64>().ok().filter(|n| *n > 0);
        let (first, last) = reports.split_once('-').unwrap_or((reports, reports));
        match (id(first), id(last)) {
            (Some(first), Some(last)) if last >= first && last - first < MOST => {
                Ok(Typed::Reports { first, last, receiver, withdraws })
            }
            (Some(_), Some(_)) => {
                Err(format!("`{text}` is no range of at most {MOST} reports, the smaller first"))
            }
            _ => Err(wrong()),
        }
    }

    /// The same for one receiver.
    fn at(&self, receiver: &str) -> String {
        match self {
            Typed::Control(id) => id.clone(),
            Typed::Reports { first, last, .. } if first == last => format!("{first}@{receiver}"),
            Typed::Reports { first, last, .. } => format!("{first}-{last}@{receiver}"),
        }
    }
}

/// One message as far as it can be chosen.
#[derive(Clone, Debug)]
pub struct Listed {
    pub n: i64,
    pub name: Name,
    pub control_id: String,
    pub state: State,
    pub kept_back: bool,
    /// A person decided that it is not to be sent.
    pub set_aside: bool,
}

/// Why what was typed chooses nothing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Unchosen {
    /// Nothing of it is what the act is for.
    None,
    /// At several receivers: these name each of them.
    Several(Vec<String>),
}

/// The messages that an act is for: of each report the latest at its receiver, and one that withdraws
/// only where it is meant, or nothing else is there.
pub fn chosen(
    typed: &Typed,
    all: &[Listed],
    fits: impl Fn(&Listed) -> bool,
) -> Result<Vec<i64>, Unchosen> {
    let named = |m: &&Listed| match typed {
        Typed::Control(id) => m.control_id == *id,
        Typed::Reports { receiver, withdraws, .. } => {
            receiver.as_ref().is_none_or(|r| m.name.receiver == *r)
                && (!withdraws || m.name.withdraws)
        }
    };
    let mut latest: BTreeMap<(&str, i64), &Listed> = BTreeMap::new();
    for message in all.iter().filter(named).filter(|m| fits(m)) {
        let place = latest.entry((&message.name.receiver, message.name.report)).or_insert(message);
        if place.name.withdraws || !message.name.withdraws {
            *place = message;
        }
    }
    let mut receivers: Vec<&str> = latest.keys().map(|(receiver, _)| *receiver).collect();
    receivers.dedup();
    match receivers.len() {
        0 => Err(Unchosen::None),
        1 => Ok(latest.values().map(|m| m.n).collect()),
        _ => Err(Unchosen::Several(receivers.into_iter().map(|r| typed.at(r)).collect())),
    }
}

const COLUMNS: &str =
    "SELECT n, control_id, receiver, report, state, kept_back, amends, aside FROM message";

impl Ledger {
    /// Every message that a typed name may mean, in the order in which they were made.
    pub async fn messages_named(&self, typed: &Typed) -> Result<Vec<Listed>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = match typed {
            Typed::Control(id) => {
                let sql = format!("{COLUMNS} WHERE control_id = $1");
                sqlx::query(AssertSqlSafe(sql)).bind(id.clone()).fetch_all(&mut conn).await
            }
            Typed::Reports { first, last, .. } => {
                let sql = format!("{COLUMNS} WHERE report >= $1 AND report <= $2 ORDER BY n");
                sqlx::query(AssertSqlSafe(sql)).bind(*first).bind(*last).fetch_all(&mut conn).await
            }
        };
        let rows = rows.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(|row| self.listed(row)).collect()
    }

    fn listed(&self, row: &AnyRow) -> Result<Listed, StoreError> {
        let state = message::state_in(row, "n", "state")?;
        let read = || -> Result<Listed, sqlx::Error> {
            Ok(Listed {
                n: row.try_get("n")?,
                name: Name::read(row)?,
                control_id: row.try_get("control_id")?,
                state,
                kept_back: row.try_get::<i64, _>("kept_back")? != 0,
                set_aside: row.try_get::<Option<String>, _>("aside")?.as_deref() == Some("person"),
            })
        };
        read().map_err(|e| self.wrong(&e))
    }
}

#[cfg(test)]
mod tests {
    use super::{Listed, Name, Typed, Unchosen, chosen};
    use crate::store::state::State;

    fn listed(n: i64, report: i64, receiver: &str, withdraws: bool, state: State) -> Listed {
        let name = Name { report, receiver: receiver.into(), withdraws };
        Listed { n, name, control_id: format!("WK{n}"), state, kept_back: false, set_aside: false }
    }

    fn typed(text: &str) -> Typed {
        Typed::parse(text).expect("a name")
    }

    #[test]
    fn names_are_read_as_they_are_shown() {
        for (report, receiver, withdraws) in [(17, "lis", false), (3, "ward-2", true)] {
            let name = Name { report, receiver: receiver.into(), withdraws };
            let receiver = Some(receiver.to_owned());
            let read = Typed::Reports { first: report, last: report, receiver, withdraws };
            assert_eq!(typed(&name.to_string()), read);
        }
        let range = Typed::Reports { first: 12, last: 40, receiver: None, withdraws: false };
        assert_eq!(typed("12-40"), range);
        assert_eq!(typed("WKK7Q20000000012"), Typed::Control("WKK7Q20000000012".into()));
        for wrong in ["", "@lis", "17@", "0", "-3", "5-3", "1-200000", "17 ", "W'", "é"] {
            assert!(Typed::parse(wrong).is_err(), "{wrong}");
        }
    }

    /// A withdrawal that was refused, and the same report on its way anew: the name means what goes anew,
    /// and the withdrawal has a name of its own.
    #[test]
    fn a_withdrawal_and_what_goes_anew_are_told_apart() {
        let all = [
            listed(1, 17, "lis", false, State::Accepted),
            listed(2, 17, "lis", true, State::Refused),
            listed(3, 17, "lis", false, State::Waiting),
        ];
        let open = |m: &Listed| !m.state.is_done();
        assert_eq!(chosen(&typed("17@lis"), &all, open), Ok(vec![3]));
        assert_eq!(chosen(&typed("17"), &all, open), Ok(vec![3]));
        assert_eq!(chosen(&typed("17@lis/withdrawal"), &all, open), Ok(vec![2]));
        assert_eq!(chosen(&typed("17@lis"), &all, |m| m.state == State::Refused), Ok(vec![2]));
        assert_eq!(chosen(&typed("WK1"), &all[..1], |_| true), Ok(vec![1]));
        assert_eq!(chosen(&typed("17@ward"), &all, open), Err(Unchosen::None));
    }

    #[test]
    fn a_report_at_several_receivers_is_named_with_one() {
        let all = [
            listed(1, 12, "lis", false, State::Waiting),
            listed(2, 12, "ward", false, State::Waiting),
            listed(3, 13, "lis", false, State::Waiting),
        ];
        let several = |names: [&str; 2]| Err(Unchosen::Several(names.map(str::to_owned).into()));
        assert_eq!(chosen(&typed("12"), &all, |_| true), several(["12@lis", "12@ward"]));
        assert_eq!(chosen(&typed("12-13"), &all, |_| true), several(["12-13@lis", "12-13@ward"]));
        assert_eq!(chosen(&typed("12-13@lis"), &all, |_| true), Ok(vec![1, 3]));
        assert_eq!(chosen(&typed("12-20"), &all[2..], |_| true), Ok(vec![3]));
    }
}
