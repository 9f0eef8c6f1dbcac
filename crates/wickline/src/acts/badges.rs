//! Badges: what somebody scans in place of a name, with a PIN that they alone know.
//!
//! A badge is a long random text behind the prefix of the bench, by which nobody takes one for a specimen. Here is its
//! digest alone, and what proves the PIN: whoever has both is the person (NIST SP 800-63B-4, 2.2: something that one
//! has, and something that one knows).

use super::facts::refused;
use super::people::{Person, at_console, known, letters, of, typed};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::person;
use crate::store::trail::{Actor, record};
use crate::texts::say;

/// Letters behind the prefix: 26 of 31 are 128 bits.
const LETTERS: usize = 26;

impl Ledger {
    /// Gives somebody a badge in place of the one they had: what stands on it. They choose the PIN themselves.
    pub async fn badge_give(
        &self,
        actor: &Actor,
        name: &str,
        prefix: &str,
    ) -> Result<String, StoreError> {
        let badge = format!("{prefix}{}", letters(LETTERS)?);
        let mut write = self.act().await?;
        let one = known(&mut write, name).await?;
        if one.secret.is_none() {
            return Err(refused(say!("no.pin_without_password", name = &one.name)));
        }
        person::set_badge(&mut write, &one.folded, Some(&typed(&badge))).await?;
        let was = one.badge.as_ref().map(|_| "a badge".to_owned());
        let became = Some(say!("kept.badge_new").to_string());
        record(&mut write, actor, of("badge-give", &one, was, became)).await?;
        write.commit().await?;
        Ok(badge)
    }

    /// Takes a badge away, such as one that was lost: it opens nothing any more, and their sessions end.
    pub async fn badge_take(&self, actor: &Actor, name: &str) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        let one = known(&mut write, name).await?;
        if one.badge.is_none() {
            return Err(refused(say!("no.badge", name = &one.name)));
        }
        person::set_badge(&mut write, &one.folded, None).await?;
        person::leave_all(&mut write, &one.folded).await?;
        record(
            &mut write,
            actor,
            of("badge-take", &one, Some(say!("kept.badge").to_string()), None),
        )
        .await?;
        write.commit().await
    }

    /// Whose a badge is.
    pub async fn person_with_badge(&self, badge: &str) -> Result<Option<Person>, StoreError> {
        let mut conn = self.db.read().await?;
        let one = person::with_badge(&mut conn, &typed(badge)).await?;
        self.db.give_back(conn).await;
        Ok(one)
    }

    /// Somebody who proved the password chooses the PIN of their badge.
    pub async fn badge_pin(&self, one: &Person, proof: &str) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        // The badge may have been taken away since the page was asked for.
        let now = known(&mut write, &one.name).await?;
        if now.badge.is_none() {
            return Err(refused(say!("no.badge_any_more")));
        }
        person::set_pin(&mut write, &one.folded, proof).await?;
        let became = Some(say!("kept.pin").to_string());
        record(&mut write, &at_console(one), of("badge-pin", one, None, became)).await?;
        write.commit().await
    }
}
