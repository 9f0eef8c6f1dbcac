//! Who delivers to a receiver, and who reads an analyzer, when several daemons share one ledger: exactly
//! one at a time.
//!
//! No clock decides. The holder adds to a beat while it lives; who wants the lease takes it when the beat
//! stood still for the whole length of a lease by its own steady clock. The holder counts from before its
//! last beat and stops at two thirds, so that it has stopped before anybody can take over. Each taking
//! raises a token: what an earlier holder still wants to write of failures and refusals finds its token
//! gone. An acceptance is written whoever asked: the receiver has that message.

use std::time::Duration;

use sqlx::{Executor, Row};

use crate::clock;
use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// The right to deliver to one receiver or to read one analyzer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lease {
    pub token: i64,
    /// By the steady clock: after this nothing may be sent.
    good_until: i64,
}

impl Lease {
    /// Where nobody else can want it.
    pub const ALONE: Self = Self { token: 0, good_until: i64::MAX };

    /// True while nobody else can have taken over.
    #[must_use]
    pub fn is_good(&self) -> bool {
        clock::steady_us() < self.good_until
    }

    /// How long it stays good if it is not kept. None: for ever.
    #[must_use]
    pub fn left(&self) -> Option<Duration> {
        let left = self.good_until.saturating_sub(clock::steady_us()).max(1);
        (self.good_until < i64::MAX).then(|| Duration::from_micros(left.unsigned_abs()))
    }
}

/// What one look at a lease's row showed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seen {
    pub holder: Option<String>,
    token: i64,
    beat: i64,
}

/// A wish for a lease, and since when its row has not changed.
#[derive(Debug)]
pub struct Watch {
    name: String,
    me: String,
    length: i64,
    last: Option<(Seen, i64)>,
}

impl Watch {
    #[must_use]
    pub fn new(name: String, me: &str, length: Duration) -> Self {
        let length = i64::try_from(length.as_micros()).unwrap_or(i64::MAX);
        Self { name, me: me.to_owned(), length, last: None }
    }

    /// Whether what was seen now may be taken: nobody's, our own from before a restart, or not beating.
    fn may_take(&mut self, seen: &Seen, now: i64) -> bool {
        let since = match &self.last {
            Some((last, since)) if last == seen => *since,
            _ => {
                self.last = Some((seen.clone(), now));
                now
            }
        };
        let ours = seen.holder.as_ref().is_none_or(|holder| *holder == self.me);
        ours || now - since > self.length
    }

    fn good_until(&self, begun: i64) -> i64 {
        begun.saturating_add(self.length / 3 * 2)
    }
}

impl Ledger {
    /// Tries for the lease once. None: somebody else has it. A ledger that only this process opens needs
    /// none.
    pub async fn lease_take(&self, watch: &mut Watch) -> Result<Option<Lease>, StoreError> {
        if !self.is_shared() {
            return Ok(Some(Lease::ALONE));
        }
        let begun = clock::steady_us();
        let seen = self.lease_seen(&watch.name).await?;
        // From when it was read: it was written before that.
        if !watch.may_take(&seen, clock::steady_us()) {
            return Ok(None);
        }
        let mut write = self.beats.write_alone().await?;
        let query = sqlx::query(
            "UPDATE lease SET holder = $1, token = token + 1, beat = beat + 1 \
             WHERE name = $2 AND token = $3 AND beat = $4 RETURNING token",
        )
        .bind(watch.me.clone())
        .bind(watch.name.clone())
        .bind(seen.token)
        .bind(seen.beat);
        let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
        let token = row.map(|row| row.try_get(0)).transpose().map_err(|e| write.wrong(&e))?;
        write.commit().await?;
        watch.last = None;
        Ok(token.map(|token| Lease { token, good_until: watch.good_until(begun) }))
    }

    /// Keeps a lease. None: another daemon took it.
    pub async fn lease_keep(
        &self,
        watch: &Watch,
        lease: Lease,
    ) -> Result<Option<Lease>, StoreError> {
        if !self.is_shared() {
            return Ok(Some(lease));
        }
        let begun = clock::steady_us();
        let mut write = self.beats.write_alone().await?;
        let query = sqlx::query("UPDATE lease SET beat = beat + 1 WHERE name = $1 AND token = $2")
            .bind(watch.name.clone())
            .bind(lease.token);
        let done = write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        write.commit().await?;
        let good_until = watch.good_until(begun);
        Ok((done.rows_affected() == 1).then_some(Lease { good_until, ..lease }))
    }

    /// Gives a lease back, so that another need not wait for its end.
    pub async fn lease_give_back(&self, watch: &Watch, lease: Lease) -> Result<(), StoreError> {
        if !self.is_shared() {
            return Ok(());
        }
        let mut write = self.beats.write_alone().await?;
        let query = sqlx::query("UPDATE lease SET holder = NULL WHERE name = $1 AND token = $2")
            .bind(watch.name.clone())
            .bind(lease.token);
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        write.commit().await
    }

    async fn lease_seen(&self, name: &str) -> Result<Seen, StoreError> {
        if let Some(seen) = self.lease_row(name).await? {
            return Ok(seen);
        }
        let mut write = self.beats.write_alone().await?;
        let query = sqlx::query(
            "INSERT INTO lease (name, token, beat) VALUES ($1, 0, 0) ON CONFLICT (name) DO NOTHING",
        )
        .bind(name.to_owned());
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        write.commit().await?;
        let nobody = Seen { holder: None, token: 0, beat: 0 };
        Ok(self.lease_row(name).await?.unwrap_or(nobody))
    }

    async fn lease_row(&self, name: &str) -> Result<Option<Seen>, StoreError> {
        let mut conn = self.db.read().await?;
        let row = sqlx::query("SELECT holder, token, beat FROM lease WHERE name = $1")
            .bind(name.to_owned())
            .fetch_optional(&mut conn)
            .await
            .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &sqlx::any::AnyRow| -> Result<Seen, sqlx::Error> {
            Ok(Seen {
                holder: row.try_get("holder")?,
                token: row.try_get("token")?,
                beat: row.try_get("beat")?,
            })
        };
        row.as_ref().map(read).transpose().map_err(|e| self.wrong(&e))
    }

    /// Who holds which lease, for people: name and holder.
    pub async fn leases(&self) -> Result<Vec<(String, String)>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows =
            sqlx::query("SELECT name, holder FROM lease WHERE holder IS NOT NULL ORDER BY name")
                .fetch_all(&mut conn)
                .await
                .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &sqlx::any::AnyRow| Ok((row.try_get("name")?, row.try_get("holder")?));
        rows.iter().map(read).collect::<Result<_, _>>().map_err(|e: sqlx::Error| self.wrong(&e))
    }
}

#[cfg(test)]
mod tests {
    use super::{Seen, Watch};
    use std::time::Duration;

    fn seen(holder: Option<&str>, beat: i64) -> Seen {
        Seen { holder: holder.map(str::to_owned), token: 1, beat }
    }

    #[test]
    fn a_beating_lease_is_never_taken_and_a_still_one_after_its_length() {
        let mut watch = Watch::new("receiver lis".into(), "me", Duration::from_secs(15));
        for second in 0..100 {
            assert!(!watch.may_take(&seen(Some("other"), second), second * 1_000_000));
        }
        for second in 100..=114 {
            assert!(!watch.may_take(&seen(Some("other"), 99), second * 1_000_000), "{second}");
        }
        assert!(watch.may_take(&seen(Some("other"), 99), 114_000_001));
        assert!(
            watch.may_take(&seen(Some("me"), 100), 114_000_002),
            "our own from before a restart"
        );
        assert!(watch.may_take(&seen(None, 101), 114_000_003), "given back");
    }

    #[test]
    fn the_holder_stops_before_anybody_can_take_over() {
        // Written no later than read, held from before the writing, waited for from after the reading.
        let watch = Watch::new("receiver lis".into(), "me", Duration::from_secs(15));
        let (begun_writing, read_by_another) = (50_000_000, 50_000_000);
        assert!(watch.good_until(begun_writing) < read_by_another + watch.length);
    }
}
