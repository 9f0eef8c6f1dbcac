//! A result that somebody was told by telephone, while no receiver had it or beside that: who was told, and when. It
//! stands in the trail, with the report and on its day, and changes nothing else: the message goes all the same.

use super::facts::{refused, whole};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::trail::{Act, Actor, record};
use crate::texts::say;

pub use crate::store::lists::calls::VERB;

/// Characters of who and when at most.
const LONGEST: usize = 200;

/// Who was told.
#[derive(Clone, Debug, Default)]
pub struct Called {
    pub who: String,
    pub when: String,
    /// They said it again, as one does where a result is told by word of mouth.
    pub read_back: bool,
}

impl Ledger {
    /// States that the results of a patient's report were told by telephone.
    pub async fn report_telephoned(
        &self,
        actor: &Actor,
        n: i64,
        called: &Called,
    ) -> Result<(), StoreError> {
        let (who, when) = (called.who.trim(), called.when.trim());
        let fits = |text: &str| (1..=LONGEST).contains(&text.chars().count());
        if !fits(who) || !fits(when) {
            return Err(refused(say!("no.who_when", most = LONGEST)));
        }
        let mut write = self.act().await?;
        let row = whole(&mut write, n).await?;
        if row.level.is_some() {
            return Err(refused(say!("no.control_waits", n = n)));
        }
        let told = match called.read_back {
            true => say!("kept.told_and_read", name = who, at = when),
            false => say!("kept.told_to", name = who, at = when),
        };
        let reason = Some(told.to_string());
        let object = format!("report {n}");
        record(&mut write, actor, Act { verb: VERB, object, reason, was: None, became: None })
            .await?;
        write.commit().await
    }
}
